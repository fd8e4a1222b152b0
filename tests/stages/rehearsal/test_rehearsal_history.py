"""A rehearsed history: values agree with the renderer's truth, names with the stages, and the ledger is sound."""

import itertools
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from glasswright.config import load_plan
from glasswright.config.schema.plugins import load_plugins
from glasswright.judging.cards import load_cards
from glasswright.ledger import Ledger
from glasswright.ledger.returned import latest_returned
from glasswright_rehearsal.command import rehearse
from glasswright_rehearsal.faults.kinds import Fault, apply_lens_fault
from glasswright_rehearsal.frames.render import Scene
from glasswright_rehearsal.frames.truth import CORNERS, describe_truth
from glasswright_rehearsal.history.truth import describe_facts
from glasswright_rehearsal.history.visits import BAD_FRAC, draw_history
from glasswright_rehearsal.night.night import Night, find_frame, plan_visit
from glasswright_rehearsal.night.stand_files import fit_layout, read_stand
from glasswright_rehearsal.scene.geometry import Pose
from glasswright_rehearsal.scene.models import MODELS, draw_copy, set_lens
from glasswright_rehearsal.scene.sensor import mosaic_sensor
from support import ROOT

STAND = ROOT / "configs" / "stands" / "north_bench.yaml"
MODEL = "Corvane 50 mm f/2"


@pytest.mark.parametrize("fault", [None, Fault(name="decentred_element", severity=1.0, direction_deg=30.0)])
def test_the_values_are_those_of_the_renderer(fault):
    stand = read_stand(STAND)
    frame = find_frame(1, stand.pitch_um)
    layout = fit_layout(stand.layout, frame)
    night = Night(out=Path(), tickets=1, megapixels=1, seed=3, stand=STAND, model=MODEL)
    # a tilted chart defocuses its discs, which a rehearsed history ignores
    pose = replace(plan_visit(night, 0, layout, frame).pose, tilt_x_deg=0.0, tilt_y_deg=0.0)
    lens = set_lens(draw_copy(MODELS[MODEL], 1, np.random.default_rng(2)), 50, 2.0)
    lens = lens if fault is None else apply_lens_fault(lens, fault, 1.0)
    scene = Scene(frame=frame, lens=lens, sensor=mosaic_sensor("RGGB"), layout=layout, pose=pose)
    truth, facts = describe_truth(scene, stand.zones), describe_facts(lens, pose, layout, frame, stand.zones)
    for zone, true in truth["zones"]["green"].items():
        expected = (true["sagittal_cy_per_px"], true["tangential_cy_per_px"])
        assert facts.zones_cy_per_px[zone] == pytest.approx(expected, rel=1e-6)
    assert facts.corner_losses_ev == pytest.approx([truth["vignetting"]["green"][corner] for corner in CORNERS])
    border = truth["distortion"]["border_bend_pct"]
    assert abs(facts.height_bend_pct) == pytest.approx(max(abs(border["top"]), abs(border["bottom"])))
    # nodes, not the centres of what a disc becomes
    assert facts.red_green_px == pytest.approx(truth["lateral_colour"]["red"]["worst_px"], abs=2e-3)
    assert facts.blue_green_px == pytest.approx(truth["lateral_colour"]["blue"]["worst_px"], abs=2e-3)


def test_a_disc_in_the_very_middle_is_as_sharp_as_those_beside_it():
    stand = read_stand(STAND)
    frame = find_frame(24, stand.pitch_um)
    layout = fit_layout(stand.layout, frame)
    lens = set_lens(draw_copy(MODELS[MODEL], 1, np.random.default_rng(2)), 50, 4.0)
    lens = replace(lens, distortion=replace(lens.distortion, axis_shift_frac=(0.0, 0.0)))
    middle, beside = (
        describe_facts(lens, Pose(magnification_frac=0.0219, shift_px=shift), layout, frame, stand.zones)
        for shift in ((0.0, 0.0), (0.5, 0.5))
    )
    for zone, mtf50 in middle.zones_cy_per_px.items():
        assert mtf50 == pytest.approx(beside.zones_cy_per_px[zone], rel=2e-3)


def test_a_history_has_bad_lenses_some_of_them_missed():
    visits = draw_history(MODEL, 2000, seed=1)
    assert len(visits) == 2000
    assert [visit.number for visit in visits[:2]] == ["H-0001", "H-0002"]
    assert len({visit.copy.serial for visit in visits}) < 2000
    bad = [visit for visit in visits if visit.fault is not None]
    assert len(bad) / 2000 == pytest.approx(BAD_FRAC, abs=0.016)
    back = [visit for visit in bad if visit.came_back]
    assert 0.15 < len(back) / len(bad) < 0.45
    assert all(visit.fault.severity <= 0.6 for visit in back)
    # lenses with a noticed fault come again, repaired, as the next ticket
    for visit, following in itertools.pairwise(visits):
        if visit.fault is not None and not visit.came_back:
            assert following.copy.serial == visit.copy.serial
            assert following.fault is None
    assert sorted(visit.measured_at for visit in visits) == [visit.measured_at for visit in visits]


@pytest.fixture(scope="module")
def past(tmp_path_factory):
    out = tmp_path_factory.mktemp("past") / "night"
    arguments = [str(out), "--history", "24", "--seed", "5", "--megapixels", "1", "--stand", str(STAND)]
    result = CliRunner().invoke(rehearse, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    assert f"{out / 'history.ledger'} (24 past tickets of {MODEL}, rehearsed)" in result.output
    assert not (out / "tickets").exists()
    return out


def test_the_ledger_is_sound_and_marked_as_rehearsed(past):
    with Ledger.open_for_reading(past / "history.ledger") as ledger:
        assert ledger.verify().damage == ()
        states = ledger.latest_tickets()
        marks = latest_returned(ledger)
    assert len(states) == 24
    assert all(state.record.ticket.rehearsed and state.record.ticket.phase == "release" for state in states)
    assert set(marks) == {visit.number for visit in draw_history(MODEL, 24, 5) if visit.came_back}


def test_its_fields_are_those_that_the_stages_measure(past):
    fields = load_plan(ROOT / "configs" / "plans" / "fixed_focal.yaml", load_plugins()).fields()
    with Ledger.open_for_reading(past / "history.ledger") as ledger:
        (state,) = ledger.latest_tickets(["H-0001"])
    measured = {
        f"{outcome.step}.{path}": found for outcome in state.outcomes for path, found in outcome.measured.items()
    }
    assert len(measured) > 30
    for name, found in measured.items():
        assert name in fields
        assert (found.unit, found.u is not None) == (fields[name].unit, fields[name].has_uncertainty), name


def test_each_stage_has_results_at_the_settings_that_it_is_shot_at(past):
    model = MODELS[MODEL]
    with Ledger.open_for_reading(past / "history.ledger") as ledger:
        (state,) = ledger.latest_tickets(["H-0001"])
    shot = {}
    for outcome in state.outcomes:
        shot.setdefault(outcome.step, []).append(outcome.setting and outcome.setting.f_number)
    numbers = list(model.f_numbers)
    assert sorted(shot["measure_mtf50"]) == numbers
    for step in ("measure_focus_offset", "measure_contrast", "measure_transmission"):
        assert shot[step] == numbers[:1]
    assert sorted(shot["measure_aperture_scatter"]) == numbers[1:]
    assert sorted(shot.get("measure_locked_change", [])) == sorted(model.locked_f_numbers)
    assert sorted(shot.get("measure_breathing", [])) == sorted(model.series_f_numbers)
    assert shot["measure_aperture"] == shot["find_spots"] == [None]
    assert ("measure_stabiliser" in shot) == model.has_stabiliser


@pytest.mark.parametrize("model", MODELS)
def test_it_has_all_that_the_shipped_card_limits(model, tmp_path):
    arguments = ["--history", "1", "--seed", "5", "--megapixels", "1", "--stand", str(STAND), "--model", model]
    assert CliRunner().invoke(rehearse, [str(tmp_path / "n"), *arguments], catch_exceptions=False).exit_code == 0
    with Ledger.open_for_reading(tmp_path / "n/history.ledger") as ledger:
        (state,) = ledger.latest_tickets(["H-0001"])
    card = load_cards(ROOT / "configs/cards")[model].card
    measured = {
        (f"{outcome.step}.{path}", outcome.setting)
        for outcome in state.outcomes
        for path, each in outcome.measured.items()
        if each.value is not None and np.isfinite(each.value)
    }
    for limit in card.limits:
        there = [at for name, at in measured if name == limit.measure and (at is None or limit.at.holds(at))]
        assert there, limit.measure


def test_the_same_seed_gives_the_same_history(past, tmp_path):
    arguments = [str(tmp_path / "again"), "--history", "24", "--seed", "5", "--megapixels", "1", "--stand", str(STAND)]
    CliRunner().invoke(rehearse, arguments, catch_exceptions=False)
    digests = []
    for ledger in (past / "history.ledger", tmp_path / "again" / "history.ledger"):
        with Ledger.open_for_reading(ledger) as opened:
            digests.append([(state.record.ticket.number, state.content) for state in opened.latest_tickets()])
    first, second = digests
    assert [number for number, _ in first] == [number for number, _ in second]
    # the stand file's text is part of what was measured, and it is the same
    assert first == second


def test_it_can_be_used_for_tuning_and_is_marked(past, tmp_path):
    # as a user does it, in a process of its own
    command = [sys.executable, "-c", "from glasswright.commands.main import main; main()", "tune", MODEL]
    command += ["--ledger", str(past / "history.ledger"), "--cards", str(ROOT / "configs" / "cards"), "--out", "out"]
    result = subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)
    assert result.returncode == 0, result.stderr
    assert result.stdout.startswith("REHEARSED: all of these lenses were rendered.")
    assert len(list((tmp_path / "out").glob("*.svg"))) >= 10


def test_a_history_refuses_named_faults(tmp_path):
    result = CliRunner().invoke(
        rehearse, [str(tmp_path / "x"), "--history", "5", "--fault", "haze", "--stand", str(STAND)]
    )
    assert result.exit_code == 2
    assert "a history draws its faults itself: omit --fault" in result.output
    assert not (tmp_path / "x").exists()
