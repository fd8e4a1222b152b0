"""Signatures of hand checks: person, day and earlier answers."""

import dataclasses

import pytest

from glasswright import HandAnswer
from glasswright.config.schema.names import problem_of_person
from glasswright.judging.gate import notes_of
from glasswright.judging.hand_answers import find_doubtful
from glasswright.ledger.verdict import Verdict
from glasswright.plugin.stage import Scope
from support.ledger_toys import CARD_HEAD, judge, kept, shots_at, state

GOOD = HandAnswer(check="mount", answer="pass", who="K. Moreau", when="2026-03-02")
FAILED = HandAnswer(check="mount", answer="fail", who="L. Osei", when="2026-03-01T11:20", note="play of 1 mm")
LIMIT = "{measure: measure_mtf50.count, min: 1, rule: simple}"


def seen(answer, *earlier, measured_at="2026-03-03T06:00:00+01:00", shot="2026-03-02T20:00:00"):
    hand = kept("read_hand_checks", None, scope=Scope.TICKET, mount__passed=1.0, mount__says="passed by hand")
    made = state(kept(count=3.0), hand, hand_checks=(answer,))
    record = dataclasses.replace(made.record, shots=shots_at(shot) if shot else ())
    return dataclasses.replace(made, record=record, measured_at=measured_at, earlier_answers=earlier)


def changed(**others):
    return dataclasses.replace(GOOD, **others)


def test_a_signature_on_the_day_is_accepted(tmp_path):
    judgement = judge(tmp_path, seen(GOOD), LIMIT, head=f"{CARD_HEAD}hand_checks: [mount]\n")
    assert judgement.verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("answer", "expected"),
    [
        (changed(who="x"), "`x` is not the name of a person: write who it is"),
        (changed(who="???"), "`???` is not the name"),
        (
            changed(when="2027-03-02"),
            "it is signed for 2027-03-02, later than it was read (2026-03-03T06:00:00+01",
        ),
        (changed(when="2026-03-03T09:00"), "later than it was read"),
        (changed(when="2026-02-10"), "it is signed for 2026-02-10, and the lens was shot on 2026-03-02: do the check"),
        (
            changed(earlier=(FAILED,)),
            "it was fail (L. Osei, 2026-03-01T11:20): play of 1 mm before: say in its note",
        ),
    ],
)
def test_an_implausible_signature_is_review_with_its_reason(tmp_path, answer, expected):
    judgement = judge(tmp_path, seen(answer), LIMIT, head=f"{CARD_HEAD}hand_checks: [mount]\n")
    (verdict,) = (each for each in judgement.verdicts if each.measure.startswith("read_hand_checks"))
    assert verdict.verdict is Verdict.REVIEW
    assert expected in verdict.reason


@pytest.mark.parametrize(
    "when", ["2026-03-02", "2026-02-28", "2026-03-03", "2026-03-03T05:00+01:00", "2026-03-02T09:00"]
)
def test_signatures_near_the_day_of_the_visit_are_accepted(when):
    assert find_doubtful(changed(when=when), seen(GOOD)) == ()


@pytest.mark.parametrize("shot", ["", "2000-01-01T00:10:00", "2031-01-01T00:00:00"])
def test_a_body_with_a_wrong_clock_makes_no_check_implausible(shot):
    assert find_doubtful(GOOD, seen(GOOD, shot=shot)) == ()


@pytest.mark.parametrize(
    ("note", "believed"), [("", False), ("play of 1 mm", False), ("flange screws tightened", True)]
)
def test_a_fail_that_became_a_pass_needs_a_reason(note, believed):
    answer = changed(note=note)
    assert (find_doubtful(answer, seen(answer, FAILED)) == ()) is believed


def test_notes_and_earlier_answers_are_always_shown():
    answer = changed(note="flange screws tightened")
    (note,) = notes_of(seen(answer, FAILED))
    assert note == (
        "hand check mount: pass (K. Moreau, 2026-03-02): flange screws tightened; "
        "earlier fail (L. Osei, 2026-03-01T11:20): play of 1 mm"
    )
    assert notes_of(seen(changed(earlier=(FAILED,)))) == notes_of(seen(GOOD, FAILED))
    assert notes_of(seen(GOOD)) == ()


@pytest.mark.parametrize("name", ["x", "xx", "X.X.", "123", "?", "n/a", "None", "-", "unknown"])
def test_no_names(name):
    assert problem_of_person(name) == f"`{name}` is not the name of a person: write who it is"


@pytest.mark.parametrize("name", ["K. Moreau", "km", "王伟", "Øre", "Ng", "rehearsal", "J.-P. 2"])
def test_names(name):
    assert problem_of_person(name) == ""
