"""Without a lens serial in the files, the gate reports the identity as unchecked; a card may require it."""

import dataclasses

import pytest

from glasswright.judging.gate import notes_of
from glasswright.ledger.verdict import Verdict
from support.ledger_toys import CARD_HEAD, judge, kept, state

LIMIT = "{measure: measure_mtf50.count, min: 1, rule: simple}"
ASKING = f"{CARD_HEAD}identity: serial\n"


def seen(carrying, shots):
    made = state(kept(count=3.0))
    return dataclasses.replace(made, record=dataclasses.replace(made.record, lens_serials=(carrying, shots)))


@pytest.mark.parametrize(
    ("carrying", "expected"),
    [
        (0, ("identity unchecked: the files carry no lens serial",)),
        (5, ("identity checked in part: 3 of 8 files carry no lens serial",)),
        (8, ()),
    ],
)
def test_an_unchecked_identity_is_reported_and_by_default_accepted(tmp_path, carrying, expected):
    assert notes_of(seen(carrying, 8)) == expected
    assert judge(tmp_path, seen(carrying, 8), LIMIT).verdict is Verdict.PASS


@pytest.mark.parametrize(("carrying", "shots"), [(0, 8), (7, 8), (0, 0)])
def test_a_card_that_requires_the_serial_is_unknown_without_it(tmp_path, carrying, shots):
    judgement = judge(tmp_path, seen(carrying, shots), LIMIT, head=ASKING)
    assert judgement.verdict is Verdict.UNKNOWN
    lacking = f"{shots - carrying} of {shots} files carry no lens serial"
    assert judgement.reasons == (f"the card requires `identity: serial`, but {lacking}",)


def test_a_card_that_requires_the_serial_judges_with_it(tmp_path):
    assert judge(tmp_path, seen(8, 8), LIMIT, head=ASKING).verdict is Verdict.PASS


def test_the_gate_reports_a_ticket_without_exif(shop):
    shop.add(3)
    shop.measure()
    code, decision = shop.gate("T-0003")
    assert code == 0
    assert "identity unchecked: the files carry no lens serial" in decision["notes"]
