"""Sweeps over f-numbers and focal lengths: invented settings with known answers."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from glasswright import Setting, Unmeasurable
from glasswright.plugin.measurements import read_measurements
from glasswright_camera import measure_mtf50
from glasswright_camera.sharpness.ceiling import find_ceiling, flag_impossible
from glasswright_camera.vignetting.stage import Falloff
from support.edge_traces import make_stand, make_trace
from support.sweeps import PRIME, plane, sharp, stand, sweep, zone


def dark(f_number, loss, focal=50.0, u=0.01):
    names = {field.name for field in dataclasses.fields(Falloff)} - {"setting", "caveats", "notes"}
    values = {name: (u if name.endswith("_u") else loss) for name in names}
    texts = {"worst_corner": "upper left", "plane": "green", "shot_count": 1}
    return Falloff(setting=Setting(focal_length_mm=focal, f_number=f_number), **{**values, **texts})


def test_each_part_of_the_field_has_its_own_sharpest_f_number():
    found = sweep(*PRIME)
    assert (found.centre.sharpest_f_number, found.centre.sharpest_cy_per_px) == (4.0, 0.36)
    assert (found.corner.sharpest_f_number, found.corner.sharpest_cy_per_px) == (8.0, 0.32)
    # centre, mid (between) and four corners
    whole = [(c + (c + k) / 2 + 4 * k) / 6 for c, k in ((0.30, 0.20), (0.36, 0.28), (0.33, 0.32))]
    assert found.sharpness[:, 2] == pytest.approx(whole)
    assert found.whole.sharpest_f_number == 8.0
    assert found.whole.sharpest_cy_per_px_u == pytest.approx(0.001 / math.sqrt(6))
    assert found.centre.wide_open_ratio == pytest.approx(0.30 / 0.36)
    assert found.centre.wide_open_ratio_u == pytest.approx(0.30 / 0.36 * math.hypot(0.001 / 0.30, 0.001 / 0.36))
    assert (found.focal_length_count, found.setting_count) == (1, 3)
    assert found.notes == (
        "50 mm: centre sharpest at f/4",
        "50 mm: corner sharpest at f/8",
        "50 mm: whole sharpest at f/8",
    )


def test_the_highest_of_a_setting_is_that_of_the_zones_that_were_measured():
    whole, lost = sharp(2.0, 0.30, 0.20), sharp(4.0, 0.36, 0.28, green=plane(0.36, 0.28, upper_left=zone(math.nan)))
    highest = sweep(whole, lost).highest
    assert highest[:, 1] == pytest.approx([0.30, 0.36])
    assert np.isnan(highest[:, [0, 2]]).all()


@pytest.mark.parametrize(
    ("gap", "scatter_frac", "tied"),
    [(0.0027, 0.0, True), (0.0029, 0.0, False), (0.0029, 0.005, True), (0.02, 0.005, False)],
)
def test_what_differs_by_less_than_twice_its_uncertainty_is_tied(gap, scatter_frac, tied):
    # u of the difference: 0.001 sqrt 2, so 0.00283 is the border
    found = sweep(
        sharp(2.0, 0.3, 0.1), sharp(4.0, 0.4, 0.1), sharp(8.0, 0.4 - gap, 0.1), shot_scatter_frac=scatter_frac
    )
    assert found.centre.sharpest_f_number == 4.0
    assert found.centre.lowest_tied_f_number == 4.0
    assert found.centre.highest_tied_f_number == (8.0 if tied else 4.0)
    note = "50 mm: centre sharpest at f/4" + (", not significantly better than f/8" if tied else "")
    assert note in found.notes


def test_a_zoom_names_its_best_and_its_weakest_focal_length():
    zoom = [
        sharp(f, c, 0.2, focal)
        for focal, c4, c8 in ((24, 0.3, 0.33), (50, 0.38, 0.35), (70, 0.28, 0.29))
        for f, c in ((4.0, c4), (8.0, c8))
    ]
    found = sweep(*zoom)
    assert (found.centre.sharpest_focal_length_mm, found.centre.sharpest_f_number) == (50, 4)
    assert (found.centre.weakest_focal_length_mm, found.centre.weakest_cy_per_px) == (70, 0.29)
    assert found.centre.wide_open_ratio == pytest.approx(0.30 / 0.33)
    assert found.focal_length_count == 3
    assert found.focal_length_mm.tolist() == [24, 24, 50, 50, 70, 70]
    assert found.f_number.tolist() == [4, 8] * 3


def test_the_light_regained_by_closing_the_aperture():
    losses = (dark(2.0, 1.8), dark(4.0, 0.8), dark(8.0, 0.5))
    found = sweep(*PRIME, falloff=losses)
    assert found.aperture_falloff_ev == pytest.approx(1.3)
    assert found.aperture_falloff_ev_u == pytest.approx(0.01 * math.sqrt(2))
    assert found.corner_loss.tolist() == [1.8, 0.8, 0.5]
    for none in (None, (), losses[:2]):
        assert math.isnan(sweep(*PRIME, falloff=none).aperture_falloff_ev)


def test_one_f_number_is_no_sweep_but_has_its_ceiling():
    found = sweep(PRIME[0])
    for name in ("sharpest_f_number", "lowest_tied_f_number", "highest_tied_f_number", "wide_open_ratio"):
        assert math.isnan(getattr(found.centre, name)), name
    assert found.centre.sharpest_cy_per_px == 0.30
    assert found.notes == ("only one f-number was shot, so there is no sharpest",)
    assert found.ceiling_ratio == pytest.approx(0.30 / find_ceiling(2.0, 0.4, 6.0))


def test_a_part_that_was_not_measured_everywhere_has_no_sharpest():
    found = sweep(PRIME[0], sharp(4.0, 0.36, math.nan), PRIME[2])
    assert math.isnan(found.corner.sharpest_f_number)
    assert math.isnan(found.corner.sharpest_cy_per_px)
    assert math.isnan(found.whole.sharpest_f_number)
    assert found.centre.sharpest_f_number == 4.0
    assert "corner was not measured at every setting, so its sharpest setting is not known" in found.notes


def test_nothing_measured_at_all_has_the_same_shape():
    bare = sweep(sharp(2.0, math.nan, math.nan, u=math.nan), sharp(4.0, math.nan, math.nan, u=math.nan))
    assert [each.path for each in read_measurements(bare)] == [each.path for each in read_measurements(sweep(*PRIME))]
    assert (bare.ceiling_where, bare.caveats) == ("nothing measured", ())


@pytest.mark.parametrize("setting", [None, Setting(focal_length_mm=50.0)])
def test_a_setting_without_an_f_number_is_unmeasurable(setting):
    with pytest.raises(Unmeasurable, match=r"has no f-number, .*: give it in ticket.yaml under `shots`"):
        sweep(dataclasses.replace(PRIME[0], setting=setting))


CEILING_GREEN = find_ceiling(8.0, 0.47, 6.0)


@pytest.mark.parametrize(("above_u", "flagged"), [(2.9, False), (3.1, True)])
def test_mtf50_significantly_above_the_ceiling_sets_a_caveat(above_u, flagged):
    value = CEILING_GREEN + above_u * 0.001
    colours = plane(0.2, 0.2)
    impossible = plane(0.3, 0.25, lower_left=zone(0.3, sagittal=value))
    found = sweep(PRIME[1], sharp(8.0, 0, 0, green=impossible, red=colours, blue=colours))
    assert found.ceiling_ratio == pytest.approx(value / CEILING_GREEN)
    assert found.ceiling_ratio_u == pytest.approx(0.001 / CEILING_GREEN)
    assert found.ceiling_where == "50 mm f/8 green lower_left sagittal"
    assert found.caveats == (("above_diffraction_limit",) if flagged else ())
    faults = [note for note in found.notes if "at fault" in note]
    assert len(faults) == flagged
    if flagged:
        assert faults[0] == (
            f"50 mm f/8: green lower_left sagittal {value:.4f} cycles/pixel lies above {CEILING_GREEN:.4f}, the most "
            "that diffraction and pixel allow, by more than 3 u: the measurement is at fault, or the aperture did not "
            "close to its f-number"
        )


def test_the_ceiling_of_a_monochrome_sensor_includes_blue_light():
    value = (CEILING_GREEN + find_ceiling(8.0, 0.4, 6.0)) / 2
    colours = plane(0.2, 0.2)
    assert sweep(sharp(8.0, value, 0.2)).caveats == ()
    assert sweep(sharp(8.0, value, 0.2, red=colours, blue=colours)).caveats == ("above_diffraction_limit",)
    mono = stand(monochrome=True)
    assert sweep(sharp(8.0, value, 0.2, red=colours, blue=colours), stand=mono).caveats == ()


SHARP = st.floats(0.1, 0.35)


@given(st.lists(st.tuples(SHARP, SHARP), min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_the_order_of_the_shots_does_not_matter_and_the_sharpest_is_the_highest(pairs, order):
    settings = [sharp(2.0 * (k + 1), *pair) for k, pair in enumerate(pairs)]
    shuffled = list(settings)
    order.shuffle(shuffled)
    one, other = sweep(*settings), sweep(*shuffled)
    assert read_measurements(one) == read_measurements(other)
    assert one.centre.sharpest_cy_per_px == max(pair[0] for pair in pairs)
    assert one.centre.lowest_tied_f_number <= one.centre.sharpest_f_number <= one.centre.highest_tied_f_number
    assert np.all(np.diff(one.ceiling[:, 1]) < 0)


@given(SHARP, st.floats(0.5, 0.95))
def test_less_sharpness_everywhere_moves_no_sharpest_and_lowers_the_share_of_the_ceiling(value, factor):
    first = [(2.0, value), (4.0, 1.1 * value), (8.0, 0.9 * value)]
    one = sweep(*(sharp(f, v, v, u=1e-5) for f, v in first))
    other = sweep(*(sharp(f, factor * v, factor * v, u=1e-5) for f, v in first))
    assert one.whole.sharpest_f_number == other.whole.sharpest_f_number == 4.0
    assert other.ceiling_ratio == pytest.approx(factor * one.ceiling_ratio)
    assert other.whole.wide_open_ratio == pytest.approx(one.whole.wide_open_ratio)


@pytest.mark.parametrize(("above_u", "flagged"), [(2.9, False), (3.1, True)])
def test_physically_impossible_mtf50_is_flagged(above_u, flagged):
    colours = plane(0.2, 0.2)
    value = CEILING_GREEN + above_u * 0.001
    impossible = sharp(8.0, 0, 0, green=plane(0.3, 0.25, mid=zone(0.3, sagittal=value)), red=colours, blue=colours)
    found = flag_impossible(impossible, impossible.setting, stand())
    assert found.caveats == (("above_diffraction_limit",) if flagged else ())
    assert [note for note in found.notes if note.startswith("50 mm f/8: green mid sagittal")] == list(found.notes)
    assert len(found.notes) == flagged
    assert flag_impossible(impossible, None, stand()) == impossible


def test_sharpness_is_flagged_by_the_stage_itself():
    # no edge in an f/22 image is this sharp
    trace = make_trace(lambda place, _plane: np.full((len(place), 2), 0.3))
    shown = {number: Setting(focal_length_mm=50.0, f_number=number) for number in (2.0, 22.0)}
    for number, setting in shown.items():
        found = measure_mtf50((dataclasses.replace(trace, setting=setting),), make_stand(pitch_um=5.0))
        assert ("above_diffraction_limit" in found.caveats) == (number == 22.0)
