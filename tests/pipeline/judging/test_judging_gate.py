"""The gate under attack: inputs that must never give RELEASE."""

import dataclasses
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright.commands.main import run_command
from glasswright.errors import LedgerBusyError
from glasswright.judging import gatekeeper as gatekeeper_module
from glasswright.judging import judge as judge_module
from glasswright.judging.gate import EXIT_CODES, DecisionKind, open_gate
from glasswright.judging.judge import JUDGE_VERSION, judge_ticket
from glasswright.ledger import Ledger
from glasswright.ledger.verdict import Judgement, LimitVerdict, Verdict
from glasswright.plugin.outcome import Status
from support.gate_shop import LIMITS, SHARP, STAND, Shop
from support.ledger_tampering import tamper
from support.ledger_toys import (
    CARD_HEAD,
    F2,
    F4,
    MODEL,
    ToyStand,
    card_file,
    falloff,
    good_outcomes,
    kept,
    outcome,
    sharpness,
    state,
)


@pytest.fixture
def shop(tmp_path):
    return Shop(tmp_path)


def test_a_good_lens_is_released_by_the_gate_alone(shop, capsys):
    shop.night()
    assert shop.gate(capsys)[0] == 12
    code, out, _ = shop.judge(capsys)
    assert (code, "1 ticket judged, 1 judgement new: PASS" in out) == (0, True)
    for code, out, _ in (shop.gate(capsys), shop.gate_again(capsys)):
        assert code == 0
        assert out.splitlines()[0] == "T-1: RELEASE"
        assert "  Corvane 50 mm f/2, serial C50-1, measured 2026-03-01T22:00:00+00:00" in out
        assert "  - all 4 limits are met" in out


def test_a_ticket_that_was_not_judged_is_incomplete(shop, capsys):
    shop.night()
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (12, "T-1: INCOMPLETE")
    assert "  - the ticket has not been judged: run `glasswright judge`" in out


def test_an_unknown_ticket_is_incomplete(shop, capsys):
    shop.night()
    code, out, _ = shop.gate(capsys, ticket="T-9")
    assert code == 12
    assert "the ledger has no ticket `T-9`: correct the number, or measure it" in out


def test_the_record_of_the_night_is_no_ticket(shop, capsys):
    shop.night(numbers=("",))
    assert shop.gate(capsys, ticket="")[0] == 12


def test_a_ticket_measured_after_its_judgement_is_judged_again(shop, capsys):
    shop.night()
    shop.judge(capsys)
    shop.night(make=lambda number: [sharpness(0.1, ticket=number, address="b"), *good_outcomes(number)[1:]])
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (10, "T-1: HOLD")
    shop.night()
    assert shop.gate(capsys)[0] == 0


def test_a_judgement_by_older_rules_is_judged_again(shop, capsys, monkeypatch):
    shop.night()
    shop.judge(capsys)
    for module in (gatekeeper_module, judge_module):
        monkeypatch.setattr(module, "JUDGE_VERSION", JUDGE_VERSION + 1)
    monkeypatch.setattr(judge_module, "largest_spread", lambda *_: None)  # rules under which nothing passes
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (11, "T-1: REVIEW")


def test_a_failing_lens_is_held_with_its_number(shop, capsys):
    shop.night(make=lambda number: [sharpness(0.1, ticket=number), *good_outcomes(number)[1:]])
    assert shop.judge(capsys)[0] == 10
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (10, "T-1: HOLD")
    assert (
        f"  - {SHARP} at 50 mm f/2: 0.10 cycles/pixel is below the limit 0.20 by more than the guard band 0.01" in out
    )


def test_every_reason_is_shown_with_every_decision(shop, capsys):
    shop.night(
        make=lambda number: [
            sharpness(0.1, ticket=number),
            sharpness(0.2, F4, ticket=number),
            outcome("measure_vignetting", F2, ticket=number),
            falloff(0.5, F4, ticket=number),
        ],
        phase="intake",
    )
    shop.judge(capsys)
    code, out, _ = shop.gate(capsys)
    assert code == 10
    for part in ("below the limit", "is on the limit", "lacks a chart shot", "the phase of the ticket is `intake`"):
        assert part in out


@pytest.mark.parametrize("phase", ["intake", "reference", "study", "Release", ""])
def test_only_the_release_phase_releases(shop, capsys, phase):
    shop.night(phase=phase)
    shop.judge(capsys)
    for code, out, _ in (shop.gate(capsys), shop.gate_again(capsys)):
        assert (code, out.splitlines()[0]) == (12, "T-1: INCOMPLETE")
        assert f"the phase of the ticket is `{phase}`: only `release` can release" in out


def test_the_decision_on_a_rehearsed_ticket_is_marked(shop, capsys):
    shop.night(rehearsed=True)
    shop.judge(capsys)
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (0, "T-1: RELEASE (rehearsed)")
    assert json.loads(shop.gate(capsys, "--json")[1])["rehearsed"] is True


F28 = dataclasses.replace(F2, f_number=2.8)
BAD_NIGHTS = {
    "not a number": lambda n: [sharpness(math.nan, ticket=n), *good_outcomes(n)[1:]],
    "endless": lambda n: [sharpness(math.inf, ticket=n), *good_outcomes(n)[1:]],
    "half measured": lambda n: good_outcomes(n)[:3],
    "nothing measured": lambda _: [],
    "one step only": lambda n: good_outcomes(n)[:2],
    "crashed": lambda n: [outcome(ticket=n, status=Status.CRASHED), *good_outcomes(n)[1:]],
    "unmeasurable": lambda n: [outcome(ticket=n, status=Status.UNMEASURABLE), *good_outcomes(n)[1:]],
    "skipped": lambda n: [outcome(ticket=n, status=Status.SKIPPED), *good_outcomes(n)[1:]],
    "another setting": lambda n: [
        sharpness(0.3, dataclasses.replace(F2, f_number=2.8), ticket=n),
        *good_outcomes(n)[1:],
    ],
    "a caveat": lambda n: [sharpness(0.3, ticket=n, caveats=("unverified_copy",)), *good_outcomes(n)[1:]],
    "done without a value": lambda n: [outcome(ticket=n, status=Status.DONE), *good_outcomes(n)[1:]],
}


@pytest.mark.parametrize("name", BAD_NIGHTS)
def test_a_bad_night_never_releases(shop, capsys, name):
    shop.night(make=BAD_NIGHTS[name])
    for code, out, _ in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert code in (11, 12), out


@pytest.mark.parametrize(
    "change",
    [
        {"model": "Halden 85 mm f/1.8"},
        {"model": MODEL.lower()},
        {"model": MODEL + " "},
        {"body": "Ostrel D8"},
        {"caveats": ("identity_contradiction",)},
    ],
)
def test_another_lens_or_body_never_releases(shop, capsys, change):
    shop.night(**change)
    for code, out, _ in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert code in (11, 12), out


def test_another_stand_never_releases(shop, capsys):
    shop.night()
    shop.stand.write_text(STAND.replace("north-bench", "south-bench"), encoding="utf-8")
    shop.card(head=CARD_HEAD.replace("north-bench", "south-bench"))
    for code, out, _ in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert code == 12
        assert "stand `north-bench`" in out


def test_a_number_given_to_two_lenses_is_reviewed(shop, capsys):
    shop.night(serial="C50-1")
    shop.night(serial="C50-2")
    assert shop.judge(capsys)[0] == 0
    code, out, _ = shop.gate(capsys)
    assert (code, out.splitlines()[0]) == (11, "T-1: REVIEW")
    assert "used for another lens before (Corvane 50 mm f/2, serial C50-1): check which lens this is" in out


def test_an_empty_card_or_none_never_releases(shop, capsys):
    shop.night()
    (shop.cards / "corvane.yaml").write_text(CARD_HEAD, encoding="utf-8")
    for code, out, _ in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert code == 12
        assert "an empty card passes no lens" in out
    (shop.cards / "corvane.yaml").unlink()
    for code, out, _ in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert code == 12
        assert f"there is no card for `{MODEL}`" in out


def test_a_changed_card_needs_no_night(shop, capsys):
    shop.night()
    assert shop.judge(capsys)[0] == 0
    shop.card([f"{{measure: {SHARP}, min: 0.5}}"])
    code, out, _ = shop.judge(capsys)
    assert (code, "1 judgement new: FAIL" in out) == (10, True)
    assert shop.gate(capsys)[0] == 10
    shop.card()
    assert shop.judge(capsys)[0] == 0
    assert shop.gate(capsys)[0] == 0


def test_judging_twice_adds_nothing_the_second_time(shop, capsys):
    shop.night()
    shop.judge(capsys)
    before = shop.ledger.read_bytes()
    code, out, _ = shop.judge(capsys)
    assert (code, "0 judgements new" in out) == (0, True)
    assert shop.ledger.read_bytes() == before


def test_judge_reports_all_tickets_and_exits_with_the_gravest(shop, capsys):
    shop.night(numbers=("T-1", "T-2"))
    shop.night(numbers=("T-3",), make=lambda n: [sharpness(0.1, ticket=n), *good_outcomes(n)[1:]])
    code, out, _ = shop.judge(capsys, "--json")
    answer = json.loads(out)
    assert (code, answer["verdict"], answer["new_count"]) == (10, "FAIL", 3)
    assert {each["ticket"]: each["verdict"] for each in answer["tickets"]} == {
        "T-1": "PASS",
        "T-2": "PASS",
        "T-3": "FAIL",
    }
    assert {"measure", "at", "verdict", "reason", "value", "u", "min", "max"} == set(
        answer["tickets"][0]["verdicts"][0]
    )
    code, out, _ = shop.judge(capsys, "--ticket", "T-1", "--ticket", "T-2")
    assert code == 0
    code, out, _ = shop.judge(capsys, "--ticket", "T-1", "--ticket", "T-7", "--json")
    assert (code, json.loads(out)["absent"]) == (12, ["T-7"])
    assert "the ledger has no such ticket" in shop.judge(capsys, "--ticket", "T-7")[1]


def test_a_ledger_without_tickets_passes_nothing(shop, capsys):
    shop.night(numbers=())
    code, out, _ = shop.judge(capsys)
    assert code == 12
    assert "the ledger contains no ticket" in out


def test_a_missing_ledger_is_21_and_a_busy_one_20(shop, capsys):
    for code, _, err in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert code == 21
        assert "there is no ledger here" in err
    shop.night()
    with Ledger.open_for_writing(shop.ledger):
        code, _, err = shop.judge(capsys)
        assert code == LedgerBusyError.exit_code == 20
        assert "another run holds this ledger: process" in err
        assert shop.gate_again(capsys)[0] == 0  # the gate only reads


def test_a_damaged_ledger_is_21_for_all(shop, capsys):
    shop.night()
    shop.judge(capsys)
    tamper(shop.ledger, "UPDATE link SET digest = 'x' WHERE id = 2")
    verified = shop.run("verify", "--ledger", shop.ledger, capsys=capsys)
    assert (verified[0], "does not match its digest" in verified[1]) == (21, True)
    for code, _, err in (shop.judge(capsys), shop.gate(capsys), shop.gate_again(capsys)):
        assert (code, "does not match its digest" in err) == (21, True)


def test_wrong_commands_and_cards_are_2(shop, capsys):
    shop.night()
    assert shop.gate(capsys, "--cards", shop.cards)[0] == 2
    assert shop.gate(capsys, "--nothing")[0] == 2
    shop.card(["{measure: a.b_px}"])
    for code, _, err in (shop.judge(capsys), shop.gate_again(capsys)):
        assert code == 2
        assert "corvane.yaml:4: " in err


def test_removing_the_reproducibility_revokes_the_release(shop, capsys):
    shop.night()
    shop.stand.write_text(STAND.partition("reproducibility")[0], encoding="utf-8")
    code, out, _ = shop.gate_again(capsys)
    assert code == 11
    assert "the stand file declares no reproducibility for this measure" in out


def test_json_contains_all_fields_for_machines(shop, capsys):
    shop.night()
    shop.judge(capsys)
    answer = json.loads(shop.gate(capsys, "--json")[1])
    assert (answer["decision"], answer["release"], answer["serial"], answer["phase"]) == (
        "RELEASE",
        True,
        "C50-1",
        "release",
    )
    with Ledger.open_for_reading(shop.ledger) as ledger:
        assert answer["manifest"] == ledger.latest_tickets()[0].content
        assert answer["card"] == ledger.latest_judgement("T-1").card
    assert json.loads(shop.gate(capsys, "--json", ticket="T-9")[1])["decision"] == "INCOMPLETE"
    assert json.loads(shop.run("verify", "--ledger", shop.ledger, "--json", capsys=capsys)[1])["damage"] == []


@pytest.mark.parametrize("command", ["judge", "gate", "verify"])
def test_every_command_has_an_example_and_its_exit_codes_in_its_help(command, capsys):
    assert run_command([command, "--help"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Example" in out
    assert f"glasswright {command}" in out
    assert "21 the ledger" in out


def good_judgement(**others):
    values = {
        "ticket": "T-1",
        "manifest": "manifest",
        "card": "card",
        "stand": "stand",
        "judge_version": JUDGE_VERSION,
        "verdict": Verdict.PASS,
        "reasons": (),
        "verdicts": (LimitVerdict(measure="a.b_px", at="f/2", verdict=Verdict.PASS, reason="fine"),),
    }
    return Judgement(**{**values, **others})


def test_the_gate_does_not_trust_a_summary():
    failed = LimitVerdict(measure="a.b_px", at="f/2", verdict=Verdict.FAIL, reason="bad")
    assert open_gate("T-1", state(), good_judgement()).kind is DecisionKind.RELEASE
    assert open_gate("T-1", state(), good_judgement(verdicts=())).kind is DecisionKind.INCOMPLETE
    assert open_gate("T-1", state(), good_judgement(verdicts=(failed,))).kind is DecisionKind.HOLD
    assert open_gate("T-1", state(), good_judgement(reasons=("no card",))).kind is DecisionKind.INCOMPLETE
    assert open_gate("T-1", state(), good_judgement(ticket="T-2")).kind is DecisionKind.INCOMPLETE
    assert open_gate("T-1", state(), good_judgement(manifest="older")).kind is DecisionKind.INCOMPLETE


@given(
    st.lists(st.sampled_from(Verdict), max_size=4),
    st.sampled_from(["release", "intake"]),
    st.booleans(),
    st.sampled_from(["manifest", "older"]),
    st.sampled_from([(), ("no card",)]),
)
def test_only_a_complete_pass_is_released(verdicts, phase, two_lenses, manifest, reasons):
    judged = good_judgement(
        manifest=manifest,
        reasons=reasons,
        verdicts=tuple(LimitVerdict(measure="a.b_px", at="f/2", verdict=each, reason="so") for each in verdicts),
    )
    at = dataclasses.replace(state(phase=phase), other_lenses=("another",) if two_lenses else ())
    decision = open_gate("T-1", at, judged)
    may = set(verdicts) - {Verdict.NOT_APPLICABLE} == {Verdict.PASS} and (phase, two_lenses, manifest, reasons) == (
        "release",
        False,
        "manifest",
        (),
    )
    assert (decision.kind is DecisionKind.RELEASE) == may
    assert decision.reasons
    assert (EXIT_CODES[decision.kind] == 0) == may


def test_a_verdict_of_the_judge_is_what_the_gate_says(tmp_path):
    for value, expected in (
        (0.3, DecisionKind.RELEASE),
        (0.2, DecisionKind.REVIEW),
        (0.1, DecisionKind.HOLD),
        (math.nan, DecisionKind.INCOMPLETE),
    ):
        at = state(kept(centre__sharp_cy_per_px=(value, 0.005)))
        assert open_gate("T-1", at, judge_ticket(at, card_file(tmp_path, LIMITS[:1]), ToyStand())).kind is expected
