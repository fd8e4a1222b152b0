"""Small nights with further roles and faults: dirt, the black patch, a focus series."""

import numpy as np
import pytest

from conftest import run_night
from glasswright.ledger import Ledger
from glasswright_rehearsal.faults.dirt import draw_dirt
from glasswright_rehearsal.night.night import draw_dust, find_frame
from support.truth_of_night import compare, read_faults, read_truth, ticket_results

SMALL = ("--megapixels", "1", "--workers", "1")


def outcomes(ledger, number, step):
    """Return a step's outcomes of a ticket."""
    with Ledger.open_for_reading(ledger) as kept:
        (state,) = kept.latest_tickets(tickets=[number])
        return [each for each in state.outcomes if each.step == step]


def measured(ledger, number, step):
    """Return the one outcome's numbers."""
    (outcome,) = outcomes(ledger, number, step)
    assert outcome.status == "done", outcome.reason
    return {path: each.value for path, each in outcome.measured.items()}


DIRT = {"lens_dust": "lens_dust_count", "fungus": "patch_count", "scratched": "scratch_count"}


@pytest.fixture(scope="module")
def dirty_night(tmp_path_factory):
    """A clean lens, then one with each fault of the glass, at the two f-numbers that matter to it."""
    folder = tmp_path_factory.mktemp("dirty") / "night"
    faults = [option for name in ("none", *DIRT) for option in ("--fault", name)]
    rehearsal = ("--tickets", "4", "--seed", "23", "--f-number", "4", "--f-number", "8", *faults)
    return run_night(folder, *SMALL, *rehearsal, serial=True)


def test_a_clean_lens_has_no_dirt(dirty_night):
    found = measured(dirty_night, "T-0001", "find_spots")
    assert found["lens_dust_count"] == found["patch_count"] == found["scratch_count"] == found["unsure_count"] == 0
    assert found["lens_deepest_pct"] == 0
    assert found["faintest_seen_pct"] < 1


@pytest.mark.parametrize(("place", "fault"), list(enumerate(DIRT, start=2)))
def test_dirt_is_found_and_nothing_else_stops(dirty_night, place, fault):
    number = f"T-{place:04d}"
    found = measured(dirty_night, number, "find_spots")
    assert {name for name in (*DIRT.values(), "unsure_count") if found[name]} == {DIRT[fault]}
    assert found["lens_deepest_pct"] > 1
    for step in ("combine_flats", "combine_panels", "measure_vignetting", "measure_mtf50", "measure_centring"):
        assert {each.status for each in outcomes(dirty_night, number, step)} == {"done"}


@pytest.mark.parametrize("number", [f"T-{place:04d}" for place in range(1, 5)])
def test_spots_are_where_and_as_deep_as_they_were_drawn(dirty_night, number):
    """Dust on the sensor of all tickets, and the dirt of one."""
    folder = dirty_night.parent
    found, frame = ticket_results(dirty_night, number)["find_spots"], find_frame(1, 6.0)
    assert found.frame_px.tolist() == [frame.width_px, frame.height_px]
    dust = np.array([[mote.x_px, mote.y_px] for mote in draw_dust(23, frame)])
    kinds = np.array(found.kind)
    for place, known in zip(
        found.place_px[kinds == "sensor_dust"], found.is_known[kinds == "sensor_dust"], strict=True
    ):
        assert np.hypot(*(dust - place).T).min() < 0.01 * frame.width_px
        assert known
    (dirt,) = [draw_dirt(fault, frame) for fault in read_faults(folder, number)] or [()]
    if not dirt:
        return
    (at,) = np.flatnonzero(kinds != "sensor_dust")
    middle = np.mean([(mote.x_px, mote.y_px) for mote in dirt], axis=0)
    assert found.place_px[at] == pytest.approx(middle, abs=0.025 * frame.width_px)
    if len(dirt) == 1:  # a fleck: its shadow's depth is (d N / t)^2
        deep = 100 * (dirt[0].diameter_um * 8 / dirt[0].distance_um) ** 2
        assert found.lens_deepest_pct == pytest.approx(deep, abs=3 * found.lens_deepest_pct_u)
        away = dirt[0].distance_um / 1000
        assert found.distance_mm[at] == pytest.approx(away, abs=3 * found.distance_u_mm[at])


@pytest.fixture(scope="module")
def veiled_night(tmp_path_factory):
    """A healthy lens and a hazy one, with the black patch."""
    folder = tmp_path_factory.mktemp("veiled") / "night"
    rehearsal = (
        "--tickets",
        "2",
        "--seed",
        "29",
        "--f-number",
        "4",
        "--black-spot",
        "--fault",
        "none",
        "--fault",
        "haze",
    )
    return folder, run_night(folder, *SMALL, *rehearsal, serial=True)


@pytest.mark.parametrize("number", ["T-0001", "T-0002"])
def test_the_black_patch_shows_the_veil_that_was_drawn(veiled_night, number):
    folder, ledger = veiled_night
    (setting,) = compare(folder, ledger, number)
    true, found = setting.truth["glare"], setting.results["measure_glare"]
    assert found.spot_shot_count == 1
    assert found.spot_glare_pct == pytest.approx(true["veil_share_pct"], abs=3 * found.spot_glare_pct_u + 0.05)
    if not true["halo_share_pct"]:
        assert found.centre_glare_pct == pytest.approx(true["veil_share_pct"], abs=3 * found.centre_glare_pct_u)
    else:
        assert found.chart_glare_pct > 2


@pytest.fixture(scope="module")
def stepped_night(tmp_path_factory):
    """A tilted group and a decentred element, with the focus series that shows them."""
    folder = tmp_path_factory.mktemp("stepped") / "night"
    faults = [option for name in ("tilted_group", "decentred_element") for option in ("--fault", name)]
    rehearsal = ("--tickets", "2", "--seed", "31", "--f-number", "2.8", "--focus-series", *faults)
    return folder, run_night(folder, *SMALL, *rehearsal, serial=True)


def turned(one, other):
    """Return the angle between two directions."""
    return abs((one - other + 180) % 360 - 180)


@pytest.mark.parametrize("number", ["T-0001", "T-0002"])
def test_best_focus_is_what_was_drawn(stepped_night, number):
    (setting,) = compare(*stepped_night, number)
    true, found = setting.truth["best_focus"], setting.results["measure_best_focus"]
    assert found.centre_steps == pytest.approx(true["centre_steps"], abs=4 * found.centre_steps_u + 0.02)
    error, u = setting.sharpness_of("measure_best_focus", true["zones"])
    known = np.isfinite(error)
    assert known.mean() > 0.9
    assert np.abs(error[known]).max() < 0.05
    assert np.abs(error[known] / np.hypot(u[known], 0.003)).max() < 4


@pytest.mark.parametrize("number", ["T-0001", "T-0002"])
def test_breathing_is_what_was_drawn(stepped_night, number):
    (setting,) = compare(*stepped_night, number)
    found = setting.results["measure_breathing"]
    assert found.breathing_ratio == pytest.approx(setting.truth["breathing_ratio"], abs=3 * found.breathing_ratio_u)
    assert found.breathing_ratio_u < 0.1


@pytest.mark.parametrize("number", ["T-0001", "T-0002"])
def test_centring_is_what_was_drawn(stepped_night, number):
    folder, ledger = stepped_night
    (setting,) = compare(folder, ledger, number)
    true, found = setting.truth, setting.results["measure_centring"]
    tilt, u = true["tilt"], found.focus_tilt_arcmin_u
    assert found.focus_tilt_arcmin == pytest.approx(tilt["arcmin"], abs=3 * u)
    assert found.field_curvature_um == pytest.approx(
        true["field_curvature"]["corner_um"], abs=3 * found.field_curvature_um_u
    )
    if read_truth(folder, number)["faults"][0]["name"] == "tilted_group":
        assert tilt["arcmin"] > 5
        assert turned(found.focus_tilt_deg, tilt["direction_deg"]) < 3 * found.focus_tilt_deg_u + 2
    if read_truth(folder, number)["faults"][0]["name"] == "decentred_element":
        assert true["decentring"]["coma_waves"] > 0.3
        assert turned(found.coma_deg, true["decentring"]["direction_deg"]) < 15
        assert found.coma_ratio > 5 * found.coma_ratio_u
