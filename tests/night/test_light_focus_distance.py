"""Light through the lens, focus while it is locked, and a second distance: measured as drawn, named, and decided."""

import numpy as np
import pytest

from conftest import gate
from glasswright.commands.main import run_command
from glasswright.ledger import Ledger
from support import ROOT
from support.truth_of_night import read_truth

NEAR_M, FAR_M = 0.6, 2.32


@pytest.fixture(scope="module")
def shifted_night(tmp_path_factory):
    """One lens whose focus shifts, with dim glass and soft at short distances: folder, ledger."""
    folder = tmp_path_factory.mktemp("shifted") / "night"
    options = ["--tickets", "1", "--megapixels", "0.6", "--seed", "5", "--workers", "1", "--f-number", "2"]
    options += ["--f-number", "4", "--ramp-shots", "0", "--locked-ramps", "--near"]
    options += ["--fault", "focus_shift+dim_glass+near_softness"]
    stand = ROOT / "configs/stands/north_bench.yaml"
    assert run_command(["rehearse", str(folder), "--stand", str(stand), *options]) == 0
    # the rehearsed plan lists both distances, and the rehearsed card has limits at each
    plan, cards, ledger = folder / "plans/fixed_focal.yaml", folder / "cards", folder / "bench.ledger"
    words = ["run", str(plan), "--stand", str(folder / "stands/north_bench.yaml"), "--cards", str(cards)]
    words += ["--tickets", str(folder / "tickets"), "--ledger", str(ledger), "--serial"]
    assert run_command(words) == 0
    return folder, ledger


def results(ledger, step):
    with Ledger.open_for_reading(ledger) as kept:
        (state,) = kept.latest_tickets(["T-0001"])
        found = [each for each in state.outcomes if each.step == step]
        return {each.setting: kept.load_artefact(each.address) for each in found if str(each.status) == "done"}


def test_light_and_focus_are_measured_as_drawn(shifted_night):
    folder, ledger = shifted_night
    wide, stopped = read_truth(folder, "T-0001")["settings"]
    for truth in (wide, stopped):
        (found,) = [
            each for at, each in results(ledger, "measure_transmission").items() if at.f_number == truth["f_number"]
        ]
        assert found.transmission_ev == pytest.approx(truth["transmission_ev"], abs=2 * found.transmission_ev_u)
        assert truth["transmission_ev"] < -0.3
    (shift,) = results(ledger, "measure_focus_shift").values()
    true = [truth["ramp_locked"]["shots"][0]["green"]["shift_um"] for truth in (wide, stopped)]
    assert shift.focus_shift_um == pytest.approx(true[1] - true[0], abs=3 * shift.focus_shift_um_u)
    assert shift.focus_shift_um_u < 2
    assert shift.spherical_um > 0.3
    (scatter,) = results(ledger, "measure_aperture_scatter").values()
    assert scatter.aperture_scatter_ev < 0.01


def test_each_distance_is_measured_as_drawn(shifted_night):
    folder, ledger = shifted_night
    for setting in read_truth(folder, "T-0001")["settings"]:
        for distance, truth in ((NEAR_M, setting["near"]), (FAR_M, setting)):
            (found,) = [
                each
                for at, each in results(ledger, "measure_mtf50").items()
                if (at.f_number, at.focus_distance_m) == (setting["f_number"], distance)
            ]
            true = truth["zones"]["green"]["centre"]["mean_cy_per_px"]
            assert found.green.centre.mean_cy_per_px == pytest.approx(true, rel=0.03)


def test_the_faults_are_named_and_the_lens_is_held_at_the_near_distance(shifted_night, capsys):
    _, ledger = shifted_night
    (diagnosis,) = results(ledger, "diagnose").values()
    assert {"focus shift on stopping down", "light lost in the glass"} <= {each.name for each in diagnosis.findings}
    code, reasons = gate(ledger, "T-0001", capsys)
    assert code == 10
    near = [reason for reason in reasons if "at 0.6 m" in reason and "below the limit" in reason]
    assert near, reasons
    assert np.isfinite(results(ledger, "measure_aperture")[None].aperture_step_error_ev)
