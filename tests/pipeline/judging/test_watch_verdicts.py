"""Effect of a stand that is out of control on verdicts, in `judge`, `gate` and `run`."""

import dataclasses
import json

import pytest

from glasswright.commands.main import run_command
from glasswright.judging.out_of_control import hold_passes
from glasswright.ledger import Ledger
from glasswright.ledger.phases import tickets_of_phase
from glasswright.ledger.verdict import Verdict
from support.ledger_toys import MODEL, falloff, good_outcomes, kept, run_record, sharpness, state, write_card
from support.ledger_toys import judge as judge_one
from support.night_bench import STAND as TOY_STAND
from support.watch_toys import STAND, WATCH, healthy, night, write_references, write_ticket

SHARP_LIMIT = "{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}"
LOSS_LIMIT = "{measure: measure_vignetting.corner_loss_ev, max: 2.5}"
WHY = "the stand counts as out of control: "


class Shop:
    """A ledger with three weeks of reference shots, cards, and a monitored stand."""

    def __init__(self, folder):
        self.ledger, self.cards, self.stand = folder / "bench.ledger", folder / "cards", folder / "stand.yaml"
        write_card(self.cards / "corvane.yaml", [SHARP_LIMIT, LOSS_LIMIT])
        self.stand.write_text(STAND + WATCH)
        write_references(self.ledger, healthy(21), healthy(21, 8, 1.0, 0.01))

    def reference(self, after, sharp=0.3, loss=1.0):
        write_references(self.ledger, [sharp], [loss], start=after)

    def run(self, capsys, *arguments):
        capsys.readouterr()
        code = run_command([str(each) for each in arguments])
        captured = capsys.readouterr()
        return code, captured.out + captured.err

    def judge(self, capsys, *more):
        files = ("--ledger", self.ledger, "--cards", self.cards, "--stand", self.stand)
        code, out = self.run(capsys, "judge", *files, "--ticket", "T-1", "--json", *more)
        return code, json.loads(out)["tickets"][0]

    def gate(self, capsys, *more):
        return self.run(capsys, "gate", "T-1", "--ledger", self.ledger, *more)

    def afresh(self, capsys):
        return self.gate(capsys, "--cards", self.cards, "--stand", self.stand)

    def watch(self, capsys, when, *more):
        return self.run(capsys, "watch", "--ledger", self.ledger, "--stand", self.stand, "--night", when, *more)


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


def test_a_stand_in_control_changes_nothing(shop, capsys):
    write_ticket(shop.ledger, "T-1", night(20), good_outcomes("T-1"))
    assert shop.judge(capsys)[0] == 0
    assert shop.gate(capsys)[0] == shop.afresh(capsys)[0] == 0
    code, out = shop.watch(capsys, night(20))
    assert code == 0
    assert f"the night of {night(20)}, body Ostrel D7: in control" in out


def test_out_of_control_every_pass_is_review_with_the_reason(shop, capsys):
    shop.reference(21, sharp=0.27)
    write_ticket(shop.ledger, "T-1", night(21), good_outcomes("T-1"))
    code, ticket = shop.judge(capsys)
    assert code == 11
    assert {each["verdict"] for each in ticket["verdicts"]} == {"REVIEW"}
    assert all(f"; but {WHY}" in each["reason"] for each in ticket["verdicts"])
    assert "beyond the limits (0.27, limits 0.2" in ticket["verdicts"][0]["reason"]
    for code, out in (shop.gate(capsys), shop.afresh(capsys)):
        assert (code, out.splitlines()[0]) == (11, "T-1: REVIEW")
        assert WHY in out
    code, out = shop.watch(capsys, night(21))
    assert code == 11
    assert f"the night of {night(21)}, body Ostrel D7: OUT OF CONTROL" in out
    assert "left out" not in out


def test_the_illumination_alone_out_of_control_is_enough(shop, capsys):
    shop.reference(21, loss=1.3)
    write_ticket(shop.ledger, "T-1", night(21), good_outcomes("T-1"))
    code, ticket = shop.judge(capsys)
    assert code == 11
    assert "measure_vignetting.corner_loss_ev at 50 mm f/2 on" in ticket["verdicts"][0]["reason"]


def test_fail_and_unknown_are_kept_out_of_control(shop, capsys):
    shop.reference(21, sharp=0.27)
    bad = [sharpness(0.1, ticket="T-1"), falloff(1.0, ticket="T-1")]
    write_ticket(shop.ledger, "T-1", night(21), bad, settings=bad[0].item.setting and (bad[0].item.setting,))
    code, ticket = shop.judge(capsys)
    assert code == 10
    assert [each["verdict"] for each in ticket["verdicts"]] == ["FAIL", "REVIEW"]
    assert WHY not in ticket["verdicts"][0]["reason"]
    write_ticket(shop.ledger, "T-1", night(21), bad[1:], settings=bad[0].item.setting and (bad[0].item.setting,))
    code, ticket = shop.judge(capsys)
    assert code == 12
    assert [each["verdict"] for each in ticket["verdicts"]] == ["UNKNOWN", "REVIEW"]


def test_a_pass_from_before_the_reference_was_shot_does_not_open_the_gate(shop, capsys):
    """The lens is judged good, then the night's reference shot shows that the stand had moved."""
    write_ticket(shop.ledger, "T-1", night(21), good_outcomes("T-1"))
    assert shop.judge(capsys)[0] == 0
    assert shop.gate(capsys)[0] == 0
    shop.reference(21, sharp=0.27)
    code, out = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (11, "T-1: REVIEW")
    assert f"  - {WHY}measure_mtf50.centre.sharp_cy_per_px at 50 mm f/2 on {night(21)}: beyond the limits" in out
    assert shop.judge(capsys)[0] == 11


def test_missing_reference_shots_close_the_gate_and_are_reported(shop, capsys):
    write_ticket(shop.ledger, "T-1", night(23), good_outcomes("T-1"))
    code, ticket = shop.judge(capsys)
    expected = f"no reference shot for 3 nights: the last was on {night(20)} (body Ostrel D7)"
    assert code == 11
    assert all(each["reason"].endswith(expected) for each in ticket["verdicts"])
    assert shop.gate(capsys)[0] == shop.afresh(capsys)[0] == 11
    code, out = shop.watch(capsys, night(23))
    assert code == 11
    assert expected in out
    shop.reference(23)
    assert shop.judge(capsys)[0] == 0
    assert shop.gate(capsys)[0] == 0


def test_a_stand_file_without_a_watch_is_not_watched(shop, capsys):
    shop.reference(21, sharp=0.27)
    write_ticket(shop.ledger, "T-1", night(21), good_outcomes("T-1"))
    shop.stand.write_text(STAND)
    assert shop.judge(capsys)[0] == 0
    assert shop.gate(capsys)[0] == 0
    code, out = shop.watch(capsys, night(21))
    assert code == 2
    assert f"{shop.stand}: has no section `watch`: add one that names a baseline and fields" in out


def test_the_report_as_json_holds_every_chart_and_point(shop, capsys):
    shop.reference(21, sharp=0.27)
    code, out = shop.watch(capsys, night(21), "--json")
    data = json.loads(out)
    assert code == 11
    assert data["in_control"] is False
    assert [chart["measure"] for chart in data["charts"]] == [
        "measure_mtf50.centre.sharp_cy_per_px",
        "measure_vignetting.corner_loss_ev",
    ]
    chart = data["charts"][0]
    assert len(chart["points"]) == 22
    assert chart["points"][-1]["signals"][0] == "beyond the limits"
    assert chart["lower"] < chart["centre"] < chart["upper"]
    assert data["reference_lens"] == f"{MODEL}, serial REF-1"


def test_a_night_that_is_no_date_is_a_wrong_command(shop, capsys):
    code, out = shop.watch(capsys, "yesterday")
    assert code == 2
    assert "--night yesterday: no such date: write year-month-day, such as 2026-03-02" in out


def test_a_judgement_whose_stand_file_is_gone_opens_no_gate(tmp_path, capsys, shop):
    made = judge_one(tmp_path, state(kept(centre__sharp_cy_per_px=(0.3, 0.001))), SHARP_LIMIT)
    write_ticket(shop.ledger, "T-1", night(20), good_outcomes("T-1"))
    with Ledger.open_for_writing(shop.ledger) as ledger:
        content = ledger.latest_tickets(["T-1"])[0].content
        judgement = dataclasses.replace(made, manifest=content, stand="ab" * 32)
        run = ledger.begin_run(run_record())
        ledger.add_judgements(run, [judgement])
        ledger.end_run(run, {})
    code, out = shop.gate(capsys)
    assert code == 21
    assert "the stand file that ticket T-1 was judged by is missing: run `glasswright judge`" in out


def test_reasons_against_the_stand_turn_a_pass_to_review(tmp_path):
    made = judge_one(tmp_path, state(kept(centre__sharp_cy_per_px=(0.3, 0.001))), SHARP_LIMIT)
    assert made.verdict is Verdict.PASS
    assert hold_passes(made, ()) is made
    doubted = hold_passes(made, [f"reason {number}" for number in range(5)])
    assert doubted.verdict is Verdict.REVIEW
    assert doubted.verdicts[0].reason.endswith(f"; but {WHY}reason 0; reason 1; reason 2; and 2 more")
    assert hold_passes(doubted, ["again"]) == doubted


def test_tickets_of_a_phase_are_found_by_the_phase_alone(shop):
    write_ticket(shop.ledger, "T-1", night(20), good_outcomes("T-1"), remarks='"phase":"reference"', serial="reference")
    with Ledger.open_for_reading(shop.ledger) as ledger:
        found = tickets_of_phase(ledger, "reference")
        assert len(found) == 21
        assert "T-1" not in found
        assert tickets_of_phase(ledger, "release") == ("T-1",)


# --- a whole night of a toy bench -------------------------------------------------------------------------------------

TOY_WATCH = """\
watch:
  baseline: {from: 2026-01-01, to: 2026-01-20}
  fields: {combine_chart.mean_dn: {at: {f_number: 2}}}
"""


def test_run_judges_by_the_reference_shots_of_the_same_night(bench, capsys):
    """Every ticket of the night is REVIEW, even if measured before the reference lens."""
    bench.write("stand.yaml", TOY_STAND + TOY_WATCH)
    for number in (1, 2, 3):
        bench.add_ticket(number)
    text = (bench.folder / "night/T-0003/ticket.yaml").read_text()
    bench.write("night/T-0003/ticket.yaml", text.replace("phase: release", "phase: reference"))
    code, printed = bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    assert code == 0
    assert {ticket["number"]: ticket["verdict"] for ticket in printed["tickets"]} == dict.fromkeys(
        ["T-0001", "T-0002", "T-0003"], "REVIEW"
    )
    reasons = printed["tickets"][0]["verdict_reasons"]
    assert len(reasons) == 1
    assert "the baseline has 0 nights with a value; at least 8 are needed" in reasons[0]
    with bench.ledger() as ledger:
        kept_judgements = [ledger.latest_judgement(f"T-000{number}") for number in (1, 2, 3)]
    assert [each.verdict for each in kept_judgements] == [Verdict.REVIEW] * 3
    # and with the stand file as it was, the same measurements pass
    bench.write("stand.yaml", TOY_STAND)
    code, printed = bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    assert {ticket["verdict"] for ticket in printed["tickets"]} == {"PASS"}
