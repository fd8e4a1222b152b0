"""A rehearsed history of the stand: `watch` and `study` find the simulated effects."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from glasswright.commands.main import run_command
from glasswright.config import load_plan, load_stand
from glasswright.config.schema.plugins import load_plugins
from glasswright.ledger import Ledger
from glasswright_rehearsal.command import rehearse
from glasswright_rehearsal.history.sensor import ROTATION_DEG, WHITE_COUNT
from glasswright_rehearsal.history.simulation import BEND_U_PCT, REMOUNT_FRAC, REMOUNT_PCT, SHARPNESS_U
from glasswright_rehearsal.history.stand import BASELINE_NIGHTS, KNOCKED_NIGHTS, REFERENCE_NIGHTS, first_night
from support import ROOT

STAND = ROOT / "configs" / "stands" / "north_bench.yaml"
SHARP = "measure_mtf50.green.centre.mean_cy_per_px"
BEND = "measure_distortion.picture_height_worst_pct"


@pytest.fixture(scope="module")
def past(tmp_path_factory):
    out = tmp_path_factory.mktemp("past") / "shop"
    arguments = [str(out), "--history", "8", "--stand-history", "--seed", "4", "--megapixels", "1"]
    result = CliRunner().invoke(rehearse, [*arguments, "--stand", str(STAND)], catch_exceptions=False)
    assert result.exit_code == 0
    return out


def run(past, capsys, command, *more):
    capsys.readouterr()
    files = ["--ledger", str(past / "history.ledger"), "--stand", str(past / "stands" / "north_bench.yaml")]
    code = run_command([command, *files, "--json", *more])
    return code, json.loads(capsys.readouterr().out)


def test_the_ledger_is_sound_and_holds_reference_and_study_tickets(past):
    with Ledger.open_for_reading(past / "history.ledger") as ledger:
        assert ledger.verify().damage == ()
        states = ledger.latest_tickets()
    phases = [state.record.ticket.phase for state in states]
    assert phases.count("reference") == 40
    # five lenses, three fittings, two repeats
    assert {state.record.ticket.number for state in states if state.record.ticket.phase == "study"} == {
        f"S-{lens}{fitting}{repeat}" for lens in range(1, 6) for fitting in range(1, 4) for repeat in (1, 2)
    }
    assert phases.count("release") == 8
    assert all(state.record.ticket.rehearsed for state in states)


def test_its_fields_are_those_that_the_reference_plan_measures(past):
    fields = load_plan(ROOT / "configs" / "plans" / "reference.yaml", load_plugins()).fields()
    watched = load_stand(past / "stands" / "north_bench.yaml", load_plugins()).watch.fields
    assert set(watched) <= set(fields)
    with Ledger.open_for_reading(past / "history.ledger") as ledger:
        (state,) = ledger.latest_tickets(["R-001"])
    for outcome in state.outcomes:
        for path, found in outcome.measured.items():
            name = f"{outcome.step}.{path}"
            if name in fields:
                assert (found.unit, found.u is not None) == (fields[name].unit, fields[name].has_uncertainty), name


def test_the_nights_with_a_knocked_chart_are_out_of_control_and_the_last_is_not(past, capsys):
    nights = [first_night().fromordinal(first_night().toordinal() + place) for place in range(REFERENCE_NIGHTS)]
    for place in KNOCKED_NIGHTS:
        code, report = run(past, capsys, "watch", "--night", nights[place].isoformat())
        assert code == 11
        assert any("locate_chart.rotation_deg" in reason and "beyond the limits" in reason
                   for reason in report["out_of_control"]["Ostrel D7"])  # fmt: skip
    code, report = run(past, capsys, "watch", "--night", nights[-1].isoformat())
    assert (code, report["in_control"], report["rehearsed"]) == (0, True, True)
    charts = {chart["measure"]: chart for chart in report["charts"]}
    assert charts["locate_chart.rotation_deg"]["centre"] == pytest.approx(ROTATION_DEG, abs=0.02)
    assert charts["measure_gain.white_count"]["centre"] == pytest.approx(WHITE_COUNT, rel=0.005)
    assert {chart["baseline_nights"] for chart in charts.values()} == {BASELINE_NIGHTS}


def test_the_study_finds_the_simulated_effect_of_mounting(past, capsys):
    code, report = run(past, capsys, "study", "--measure", SHARP, "--measure", BEND)
    assert code == 0
    assert report["rehearsed"]
    held = []
    for field in report["fields"]:
        truth = {
            SHARP: (SHARPNESS_U / np.sqrt(2) * field["mean"], REMOUNT_FRAC * field["mean"]),
            BEND: (BEND_U_PCT, REMOUNT_PCT),
        }[field["measure"]]
        for name, value in zip(("repeatability", "reproducibility"), truth, strict=True):
            low, high = field["intervals"][name]
            held.append(low <= value <= high)
    # twelve intervals of 95 %: two or more that miss would come once in nine studies, three once in fifty
    assert len(held) == 12
    assert sum(held) >= 10


def test_a_stands_history_needs_a_models(tmp_path):
    result = CliRunner().invoke(rehearse, [str(tmp_path / "x"), "--stand-history", "--stand", str(STAND)])
    assert result.exit_code == 2
    assert "needs a model's history: give --history N too" in result.output
    assert not (tmp_path / "x").exists()
