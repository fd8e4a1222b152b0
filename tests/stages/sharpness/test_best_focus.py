"""Sharpness at best focus: series with the blur of a defocused pupil, complete, damaged or too short."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from glasswright import Unmeasurable
from glasswright_camera.centring.focus import find_surface, flatten_chart
from glasswright_camera.sharpness.stage import measure_best_focus, measure_mtf50
from glasswright_camera.stand import ChartUse, FocusStep
from support import edge_traces
from support.edge_images import _round_pupil
from support.edge_traces import HEIGHT, WIDTH, make_trace

PITCH_UM = 5.0
WAVELENGTH_UM = 0.54
F_NUMBER = 4.0
DEPTH_UM = 2 * WAVELENGTH_UM * F_NUMBER**2


def make_stand(pitch_um):
    """A stand with a perfectly sharp print."""
    stand = edge_traces.make_stand(pitch_um)
    return replace(stand, charts=(ChartUse(layout=replace(stand.charts[0].layout, edge_blur_um=0.0)),))


STAND = replace(make_stand(PITCH_UM), focus_step=FocusStep(um=DEPTH_UM))


@cache
def blur_run():
    """1/MTF50^2 against defocus in depths of focus (a quarter wave), at f/4 with a Gaussian of 1 um and the pixel."""
    f = np.linspace(0.001, 1.2, 1200)
    rest = np.exp(-2 * np.pi**2 * (1.0 / PITCH_UM) ** 2 * f**2) * np.sinc(f)
    found = []
    for depth in np.linspace(0, 12, 97):
        s, value = _round_pupil(float(depth / 4))
        whole = np.interp(2 * f * WAVELENGTH_UM * F_NUMBER / PITCH_UM, s, value, right=0.0) * rest
        k = int(np.argmax(whole < 0.5))
        found.append(f[k - 1] + 0.001 * (whole[k - 1] - 0.5) / (whole[k - 1] - whole[k]))
    return CubicSpline(np.linspace(0, 12, 97), np.array(found) ** -2.0)


def sharpness_at(depth):
    return blur_run()(np.abs(depth)) ** -0.5


PEAK = float(sharpness_at(0.0))


def squared_radius(place):
    middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    return ((place - middle) ** 2).sum(axis=1) / (WIDTH**2 + HEIGHT**2) * 4


def series(best=3.2, *, count=8, sagittal=0.0, tangential=0.0, spread=1.0, u=1e-4, seed=None, colour=0.0):
    """Make steps 0 ... count - 1, one depth of focus (times `spread`) apart; the lens's focus moves backwards.

    `sagittal` and `tangential`: focus at r = 1 behind the centre's, in steps; `colour`: that of red.
    """
    rng = np.random.default_rng(seed)

    def at(step):
        def values(place, plane):
            bend = squared_radius(place)
            away = [(step - best + curved * bend + (colour if plane == 0 else 0)) for curved in (sagittal, tangential)]
            value = np.column_stack([sharpness_at(spread * part) for part in away])
            return value + (u * rng.standard_normal(value.shape) if seed is not None else 0.0)

        return values

    return tuple(
        make_trace(at(k), role="focus_series", shot=f"focus_series/{k:04d}.dng", sequence=k, u=u) for k in range(count)
    )


def dull(trace, share):
    return replace(trace, mtf50=trace.mtf50 * share)


def test_the_peak_of_the_series_is_used_and_not_a_step():
    found = measure_best_focus(series(), STAND)
    assert found.caveats == ()
    assert found.centre_steps == pytest.approx(3.2, abs=0.01)
    assert found.green.centre.mean_cy_per_px == pytest.approx(PEAK, rel=1e-3)
    assert found.focus.centre.medial_steps == pytest.approx(0.0, abs=1e-6)
    assert (found.shot_count, found.left_out_count) == (8, 0)
    assert found.step_um == DEPTH_UM


def test_zones_are_measured_at_the_centres_focus_and_have_their_own():
    found = measure_best_focus(series(sagittal=2.0, tangential=2.0), STAND)
    corner = found.green.upper_left
    assert corner.mean_cy_per_px == pytest.approx(float(sharpness_at(2 * 0.64)), rel=2e-3)
    # behind is positive: farther from the lens
    assert found.focus.upper_left.medial_steps == pytest.approx(2 * 0.64, abs=0.02)
    assert found.focus.upper_left.medial_um == pytest.approx(2 * 0.64 * DEPTH_UM, rel=0.02)
    assert found.focus.mid.medial_steps == pytest.approx(2 * 0.25, abs=0.02)


@pytest.mark.parametrize(("curved", "count", "best", "spread"), [(6.0, 9, 4.0, 1.0), (4.0, 7, 3.0, 1.5)])
def test_a_strongly_curved_field_is_as_uncertain_as_the_curves_of_its_outer_discs(curved, count, best, spread):
    # discs at one height pass focus between the same steps: 0.4 to 0.6 % off together, 3 times what they scatter
    steps = series(best, count=count, spread=spread, sagittal=curved, tangential=curved, u=1e-3, seed=3)
    value, u = find_surface(measure_best_focus(steps, STAND)).medial
    assert value == pytest.approx(curved, rel=0.01)
    assert abs(value - curved) < 3 * u


def test_astigmatism_is_the_distance_of_two_foci():
    found = measure_best_focus(series(sagittal=-1.5, tangential=1.5), STAND)
    corner = found.focus.lower_right
    assert corner.medial_steps == pytest.approx(0.0, abs=0.02)
    assert corner.astigmatism_um == pytest.approx(3 * 0.64 * DEPTH_UM, rel=0.02)
    # the medial focus is where sharpness is alike in both directions, so that says nothing
    assert found.green.lower_right.direction_difference_frac == pytest.approx(0.0, abs=0.01)
    inside = np.isfinite(found.behind_steps).all(axis=1)
    assert inside.all()
    assert (found.behind_steps[:, 1] >= found.behind_steps[:, 0] - 0.02).all()


def test_axial_colour_is_the_distance_of_the_colours_foci():
    found = measure_best_focus(series(colour=0.5), STAND)
    assert found.red_green_um == pytest.approx(0.5 * DEPTH_UM, rel=0.03)
    assert found.blue_green_um == pytest.approx(0.0, abs=0.05)
    # the step's own size is known to 3 %
    assert found.red_green_um_u > 0.02 * found.red_green_um


def test_without_a_steps_size_foci_are_in_steps_alone():
    found = measure_best_focus(series(sagittal=2.0, tangential=2.0), make_stand(PITCH_UM))
    assert np.isnan([found.step_um, found.focus.upper_left.medial_um, found.red_green_um]).all()
    assert found.focus.upper_left.medial_steps == pytest.approx(2 * 0.64, abs=0.02)


def test_a_lost_step_leaves_its_gap():
    steps = series()
    found = measure_best_focus(steps[:3] + steps[4:], STAND)
    assert found.centre_steps == pytest.approx(3.2, abs=0.02)
    assert found.green.centre.mean_cy_per_px == pytest.approx(PEAK, rel=3e-3)


@pytest.mark.parametrize("which", [0, 2, 3, 4])
def test_a_step_that_was_knocked_is_named_and_left_out(which):
    steps = list(series(u=2e-4, seed=4))
    steps[which] = dull(steps[which], 0.85)
    found = measure_best_focus(tuple(steps), STAND)
    assert found.left_out_count == 1
    assert found.notes[0].startswith(f"left out: focus_series/{which:04d}.dng reads ")
    assert found.notes[0].endswith("the stand was knocked, or the focus did not move as it should")
    assert found.green.centre.mean_cy_per_px == pytest.approx(PEAK, rel=5e-3)


def lose_corner(trace):
    """Remove the discs of the upper left."""
    gone = (trace.centre_px[1] < np.array([WIDTH, HEIGHT]) * 0.25).all(axis=1)
    value = np.where(gone[:, None], np.nan, trace.mtf50)
    return replace(trace, mtf50=value, mtf50_u=np.where(np.isnan(value), np.nan, trace.mtf50_u))


def test_a_zone_that_some_steps_lack_is_not_measured_and_the_others_are():
    steps = [lose_corner(each) if k in (0, 6, 7) else each for k, each in enumerate(series(u=2e-4, seed=4))]
    steps[3] = dull(steps[3], 0.85)
    found = measure_best_focus(tuple(steps), STAND)
    assert np.isnan([found.green.upper_left.mean_cy_per_px, found.focus.upper_left.medial_steps]).all()
    assert np.isnan(found.green.worst_cy_per_px)
    assert found.notes[0].startswith("left out: focus_series/0003.dng reads ")
    for zone in ("centre", "mid", "upper_right", "lower_left", "lower_right"):
        assert getattr(found.green, zone).mean_cy_per_px == pytest.approx(PEAK, rel=5e-3)


def test_a_step_whose_focus_did_not_move_is_named():
    steps = list(series(u=2e-4, seed=4))
    steps[5] = replace(steps[4], shot="focus_series/0005.dng", sequence_count=5)
    found = measure_best_focus(tuple(steps), STAND)
    assert "focus_series/0005.dng" in found.notes[0]
    assert found.centre_steps == pytest.approx(3.2, abs=0.03)


@pytest.mark.parametrize("seed", range(5))
def test_a_sound_series_loses_no_step(seed):
    found = measure_best_focus(series(count=7, u=0.002, seed=seed), STAND)
    assert (found.left_out_count, found.caveats) == (0, ())


def test_five_steps_that_disagree_carry_a_caveat():
    steps = list(series(2.1, count=5, u=2e-4, seed=4))
    steps[2] = dull(steps[2], 0.95)
    found = measure_best_focus(tuple(steps), STAND)
    assert found.caveats == ("odd_focus_step",)
    steps[2] = dull(steps[2], 0.7)
    with pytest.raises(Unmeasurable, match=r"^the steps of the focus series fit no through-focus curve, although the"):
        measure_best_focus(tuple(steps), STAND)


@pytest.mark.parametrize("count", [5, 7])
@pytest.mark.parametrize("spread", [0.5, 1.0])
@pytest.mark.parametrize("knock", [0.005, 0.01, 0.02])
def test_a_knock_too_faint_to_be_named_is_in_the_uncertainty(count, spread, knock):
    # the frame nearest to focus alone: the curve follows it by half to nine tenths, and its misfit hardly shows
    steps = list(series(2.0, count=count, spread=spread, u=2e-4, seed=4))
    steps[2] = dull(steps[2], 1 - knock)
    centre = measure_best_focus(tuple(steps), STAND).green.centre
    error = centre.mean_cy_per_px - PEAK
    assert abs(error) > 0.4 * knock * PEAK
    assert abs(error) < 2 * centre.mean_cy_per_px_u


def test_a_sound_series_is_no_less_certain_for_it():
    found = measure_best_focus(series(2.0, count=5, u=2e-4, seed=4), STAND)
    assert found.green.centre.mean_cy_per_px_u < 0.001 * PEAK


def test_three_steps_are_refused():
    with pytest.raises(Unmeasurable) as error:
        measure_best_focus(series()[2:5], STAND)
    assert str(error.value) == "the focus series has 3 steps that can be used; 5 are needed: shoot more"


@pytest.mark.parametrize(("best", "side"), [(-1.0, "first"), (8.2, "last")])
def test_focus_beyond_the_series_is_refused_and_the_side_named(best, side):
    with pytest.raises(Unmeasurable) as error:
        measure_best_focus(series(best), STAND)
    assert str(error.value) == (
        f"best focus of the centre lies outside the focus series, beyond its {side} step; "
        "shoot the series again about the sharpest step"
    )


def test_edges_doubled_in_the_steps_near_focus_set_a_caveat():
    steps = tuple(replace(each, misfit_frac=np.full_like(each.misfit_frac, 0.004)) for each in series())
    found = measure_best_focus(steps, STAND)
    assert found.caveats == ("unlike_edges",)
    assert "unlike any lens's blur in the steps near focus" in found.notes[0]
    # far from focus an edge may look like anything
    far = tuple(replace(each, misfit_frac=each.misfit_frac + 0.004 * (k < 2)) for k, each in enumerate(series()))
    assert measure_best_focus(far, STAND).caveats == ()


def test_steps_too_far_apart_set_a_caveat():
    found = measure_best_focus(series(2.5, count=6, spread=3.0), STAND)
    assert found.caveats == ("coarse_focus_steps",)
    assert found.notes[-1].startswith("the steps of the focus series are too coarse: one step from focus, 1/MTF50 is")


def test_a_misfocused_lens_is_soft_as_shot_and_sharp_at_best_focus():
    steps = series()
    shot = measure_mtf50((replace(steps[6], role="chart", shot="chart/0001.dng"),), STAND)
    best = measure_best_focus(steps, STAND)
    assert shot.green.centre.mean_cy_per_px == pytest.approx(float(sharpness_at(2.8)), rel=1e-3)
    assert best.green.centre.mean_cy_per_px > 1.3 * shot.green.centre.mean_cy_per_px


def test_stated_uncertainties_cover_the_scatter_of_repeated_series():
    # noise of 1 % a disc and direction; frames that differ by as much as is taken for granted
    found = []
    for seed in range(40):
        rng = np.random.default_rng(1000 + seed)
        steps = [dull(each, 1 + 0.001 * rng.standard_normal()) for each in series(u=0.004, seed=seed)]
        found.append(measure_best_focus(tuple(steps), STAND))
    for name in ("green.centre.mean_cy_per_px", "green.upper_left.mean_cy_per_px", "green.corner_mean_cy_per_px"):
        value, u = read_all(found, name)
        # the model's error is the same in all draws, so the stated u is larger than the scatter
        assert 0.5 < value.std(ddof=1) / np.sqrt(np.mean(u**2)) < 1.25
    value, u = read_all(found, "focus.upper_left.medial_steps")
    assert 0.6 < value.std(ddof=1) / np.sqrt(np.mean(u**2)) < 1.25


def read_all(results, name):
    def get(result, path):
        for part in path.split("."):
            result = getattr(result, part)
        return result

    return np.array([get(each, name) for each in results]), np.array([get(each, f"{name}_u") for each in results])


def test_a_bow_of_the_measured_print_is_not_taken_for_curvature():
    # Newton's equation, for small distances: an object farther by h has its image nearer to the lens by m^2 h
    found = measure_best_focus(series(sagittal=2.0, tangential=2.0), STAND)
    layout = STAND.charts[0].layout
    step_um, _ = STAND.focus_step_um(found.setting)
    middle = np.array([found.width_px - 1, found.height_px - 1]) / 2
    square = np.sum((found.place_px - middle) ** 2, axis=1) / (np.hypot(found.width_px, found.height_px) / 2) ** 2
    nodes = {(c, r): 0.0 for r in range(layout.rows) for c in range(layout.columns)}
    nodes |= {
        (int(c), int(r)): -2.0 * part * step_um / 1000 / found.magnification_frac**2
        for (c, r), part in zip(found.node, square, strict=True)
    }
    places = tuple(
        ((c - (layout.columns - 1) / 2) * layout.pitch_mm, (r - (layout.rows - 1) / 2) * layout.pitch_mm, height)
        for (c, r), height in nodes.items()
    )
    chart = replace(STAND.charts[0], layout=replace(layout, nodes_mm=places))
    flat = flatten_chart(found, replace(STAND, charts=(chart,)))
    assert find_surface(found).medial[0] == pytest.approx(2.0, rel=0.02)
    assert find_surface(flat).medial[0] == pytest.approx(0.0, abs=0.02)
    assert flatten_chart(found, STAND) is found
