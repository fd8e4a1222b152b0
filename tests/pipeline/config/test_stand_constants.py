"""Constants of the stand: read, written among comments; an invalid one allows no PASS."""

import dataclasses
import json
from datetime import date

import pytest

from glasswright.config import (
    StandConstant,
    StandWriteError,
    propose_constants,
    replace_stand,
    scan_yaml,
    show_changes,
    why_not_held,
)
from glasswright.judging.judge import judge_ticket
from glasswright.ledger.verdict import Verdict
from support.ledger_toys import ToyStand, card_file, kept, state

SHARP = "measure_mtf50.centre.sharp_cy_per_px"
LIMIT = f"{{measure: {SHARP}, min: 0.27, at: {{f_number: 2}}}}"
ENTRY = {
    "measured": "2026-03-01",
    "holds_days": 100,
    "body": "Ostrel D7",
    "rests": ["measure_mtf50.*"],
    "values": {"white_dn": {"value": 16000.0, "u": 2.5}},
    "origin": "K. Moreau, 24 flats",
}
STAND = """\
# the bench
stand: north-bench
bodies: [Ostrel D7]   # one only

camera:
  sensor:
    pixel_pitch_um: 6.0   # of the maker's sheet
  charts:
    - {layout: chart.yaml}
"""


def constant(**changes):
    return StandConstant.model_validate_json(json.dumps(ENTRY | changes))


def judged(tmp_path, value=(0.3, 0.005), night="2026-03-02", serials=("D7-0031",), **changes):
    found = state(kept(centre__sharp_cy_per_px=value))
    record = dataclasses.replace(found.record, nights=(night,), body_serials=serials)
    found = dataclasses.replace(found, record=record)
    stand = ToyStand(constants={"sensor": constant(**changes)})
    return judge_ticket(found, card_file(tmp_path, [LIMIT]), stand).verdicts[0]


def test_a_constant_that_holds_changes_nothing(tmp_path):
    assert judged(tmp_path, night="2026-06-09").verdict is Verdict.PASS


def test_a_constant_one_day_too_old_is_review_with_the_reason(tmp_path):
    judgement = judged(tmp_path, night="2026-06-10")
    assert judgement.verdict is Verdict.REVIEW
    assert judgement.reason.endswith(
        "but the stand's `sensor` of 2026-03-01 was valid to 2026-06-09, and the lens was shot on 2026-06-10: "
        "measure it again"
    )


def test_a_constant_of_another_body_is_review(tmp_path):
    judgement = judged(tmp_path, body="Ostrel D8")
    assert judgement.verdict is Verdict.REVIEW
    assert "measured on body `Ostrel D8`, the lens was shot on `Ostrel D7`" in judgement.reason


@pytest.mark.parametrize("serials", [("D7-0031",), ("d7-0031 ",)])
def test_a_constant_of_the_same_body_holds(tmp_path, serials):
    assert judged(tmp_path, serials=serials, body_serial="D7-0031").verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("serials", "reason"),
    [
        (("D7-0032",), "serial number `D7-0031`, the lens was shot on `D7-0032`: use the stand file of that body"),
        (("D7-0031", "D7-0032"), "the lens was shot on `D7-0032`: use"),
        ((), "neither the files nor the ticket say which body the lens was shot on: write `body: {serial: ...}` in"),
    ],
)
def test_a_constant_of_another_body_of_the_model_is_review(tmp_path, serials, reason):
    judgement = judged(tmp_path, serials=serials, body_serial="D7-0031")
    assert judgement.verdict is Verdict.REVIEW
    assert reason in judgement.reason


def test_a_constant_without_a_serial_holds_for_every_body_of_the_model(tmp_path):
    assert judged(tmp_path, serials=()).verdict is Verdict.PASS


def test_an_old_constant_changes_no_fail_and_no_independent_pass(tmp_path):
    assert judged(tmp_path, value=(0.2, 0.005), night="2030-01-01").verdict is Verdict.FAIL
    assert judged(tmp_path, night="2030-01-01", rests=["measure_vignetting.*"]).verdict is Verdict.PASS


def test_without_a_date_a_constant_is_not_known_to_be_valid():
    assert "no file says when" in why_not_held({"sensor": constant()}, SHARP, "Ostrel D7", (), None)[0]
    assert constant().last_day == date(2026, 6, 9)


@pytest.fixture
def document(tmp_path):
    path = tmp_path / "stand.yaml"
    path.write_text(STAND, encoding="utf-8")
    return scan_yaml(path)


def test_a_constant_is_written_and_comments_are_kept(document):
    text = propose_constants(document, "sensor", ENTRY, {("camera", "sensor", "white_dn"): 16000.0})
    assert text.startswith(STAND[: STAND.index("  charts")] + "    white_dn: 16000.0\n")
    assert [line for line in STAND.splitlines() if line not in text.splitlines()] == []
    assert "+    white_dn: 16000.0" in show_changes(document, text)
    replace_stand(document, text)
    again = propose_constants(scan_yaml(document.path), "sensor", ENTRY | {"holds_days": 7}, {})
    assert again == text.replace("holds_days: 100", "holds_days: 7")
    gone = propose_constants(scan_yaml(document.path), "sensor", ENTRY, {("camera", "sensor", "white_dn"): None})
    assert "    white_dn: 16000.0\n" not in gone


def test_an_invalid_constant_is_not_written(document):
    with pytest.raises(StandWriteError, match="cannot be written"):
        propose_constants(document, "sensor", ENTRY | {"values": {"white": {"value": 1.0, "u": 0.0}}}, {})


def test_a_file_that_changed_meanwhile_is_not_overwritten(document):
    text = propose_constants(document, "sensor", ENTRY, {})
    document.path.write_text(STAND + "# more\n", encoding="utf-8")
    with pytest.raises(StandWriteError, match="changed in the meantime"):
        replace_stand(document, text)
    assert document.path.read_text(encoding="utf-8").endswith("# more\n")
