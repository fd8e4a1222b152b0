"""The stage that reads hand checks, and the list of them."""

import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright import HandAnswer, Ticket
from glasswright.commands.main import run_command
from glasswright.config import load_ticket
from glasswright.plugin.measurements import read_measurements
from glasswright_camera import ROLES, read_hand_checks
from glasswright_camera.hand_checks.instructions import HAND_LIST
from glasswright_camera.hand_checks.result import HandCheck, HandChecks
from glasswright_rehearsal.faults.hand import FAILED_CHECK, HAND_FAULTS, answer_hand_checks
from glasswright_rehearsal.scene.models import MODELS
from support import ROOT

STAND = ROOT / "configs/stands/north_bench.yaml"


def ticket(*answers):
    return Ticket(number="T-1", model="m", serial="s", phase="release", body="b", hand_checks=answers)


def signed(check, answer="pass", **others):
    return HandAnswer(check=check, answer=answer, **{"who": "K. Moreau", "when": "2026-03-02", **others})


def test_every_check_of_the_list_is_a_field_and_the_other_way_round():
    kinds = {field.name for field in dataclasses.fields(HandChecks) if field.type in (HandCheck, "HandCheck")}
    assert kinds == set(HAND_LIST)


def test_signed_answers_count():
    checks = read_hand_checks(ticket(signed("mount"), signed("switches", "fail", note="the lock slips")))
    assert checks.mount == HandCheck(passed=True, says="passed by hand (K. Moreau, 2026-03-02)")
    assert checks.switches == HandCheck(passed=False, says="failed by hand (K. Moreau, 2026-03-02: the lock slips)")
    assert (checks.passed_count, checks.failed_count) == (1, 1)


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        ((), "ticket.yaml has no answer: run `glasswright hand-checks` on the ticket's folder"),
        ((signed("mount", who=""),), "answered `pass`, but not signed: `who` is missing"),
        ((signed("mount", "fail", when=""),), "answered `fail`, but not signed: `when` is missing"),
        ((signed("mount", "not_applicable"),), "answered as not applicable (K. Moreau, 2026-03-02)"),
    ],
)
def test_answers_that_do_not_count_are_empty_with_the_reason(answers, says):
    checks = read_hand_checks(ticket(*answers))
    assert checks.mount == HandCheck(passed=None, says=says)
    assert (checks.passed_count, checks.failed_count) == (0, 0)
    measured = {each.path: each for each in read_measurements(checks)}
    assert measured["mount.passed"].value is None
    assert measured["mount.says"].text == says


def test_an_answer_under_a_wrong_name_is_reported_and_ignored():
    checks = read_hand_checks(ticket(signed("front_glas")))
    assert checks.notes == ("ticket.yaml answers `front_glas`, which is not a hand check; did you mean `front_glass`?",)
    assert checks.front_glass.passed is None
    assert checks.passed_count == 0


ANSWERS = st.builds(
    HandAnswer,
    check=st.sampled_from(sorted(HAND_LIST)),
    answer=st.sampled_from(["pass", "fail", "not_applicable"]),
    who=st.sampled_from(["", "K. Moreau"]),
    when=st.sampled_from(["", "2026-03-02"]),
)


@given(st.lists(ANSWERS, unique_by=lambda answer: answer.check))
def test_only_a_signed_pass_passes(answers):
    checks = read_hand_checks(ticket(*answers))
    good = {each.check for each in answers if each.answer == "pass" and each.who and each.when}
    assert {name for name in HAND_LIST if getattr(checks, name).passed} == good
    assert read_hand_checks(ticket(*reversed(answers))) == checks


def test_each_instruction_is_one_sentence_with_a_caution_where_needed():
    for name, each in HAND_LIST.items():
        assert each.how.endswith("."), name
        assert each.how.count(". ") == 0, name
    for name in ("front_glass", "rear_glass"):
        assert "radioactive" in HAND_LIST[name].caution
    for name in ("look_through", "aperture_blades"):
        assert "sun" in HAND_LIST[name].caution
    for name in ("contacts", "focus_ring_autofocus", "switches", "stabiliser_noise"):
        assert "dangerous voltages" in HAND_LIST[name].caution
    for name in ("rear_glass", "aperture_blades"):
        assert "Solvents burn" in HAND_LIST[name].caution


def test_a_rehearsed_ticket_answers_the_checks_of_its_model():
    zoom, prime = MODELS["Corvane 24-70 mm f/4"], MODELS["Corvane 50 mm f/2"]
    for model in (zoom, prime):
        assert set(answer_hand_checks(model, ())) == set(HAND_LIST)
    assert {each["answer"] for each in answer_hand_checks(zoom, ()).values()} == {"pass"}
    not_there = {name for name, each in answer_hand_checks(prime, ()).items() if each["answer"] == "not_applicable"}
    assert not_there == {"zoom_creep_up", "zoom_creep_down", "stabiliser_noise"}
    failed = {name for name, each in answer_hand_checks(zoom, ("zoom_creep",)).items() if each["answer"] == "fail"}
    assert failed == {"zoom_creep_down"}
    assert set(FAILED_CHECK) == set(HAND_FAULTS)


def test_zoom_creep_needs_a_zoom(tmp_path, capsys):
    code = run_command(["rehearse", str(tmp_path / "night"), "--stand", str(STAND), "--fault", "zoom_creep"])
    assert code == 2
    assert "Corvane 50 mm f/2 is no zoom: give --plan zoom" in capsys.readouterr().err


def test_a_rehearsed_zoom_creep_is_in_ticket_and_truth(tmp_path):
    words = ["--tickets", "1", "--megapixels", "0.2", "--plan", "zoom", "--f-number", "8", "--fault", "zoom_creep"]
    assert run_command(["rehearse", str(tmp_path / "night"), "--stand", str(STAND), *words, "--workers", "1"]) == 0
    answers = load_ticket(tmp_path / "night/tickets/T-0001", ROLES).hand_checks
    assert {name for name, note in answers.items() if note.answer == "fail"} == {"zoom_creep_down"}
    assert all(note.who and note.when for note in answers.values())
    fault = json.loads((tmp_path / "night/truth/T-0001.json").read_text())["faults"][0]
    assert (fault["name"], fault["of"]) == ("zoom_creep", "lens")
