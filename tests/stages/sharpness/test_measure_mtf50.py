"""Sharpness by zone: as shot, and at best focus of a series."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.sharpness.reading import (
    BENT_SHAPE_U,
    LOPSIDED_SHAPE_U,
    SHAPE_U,
    UNEVEN_SHAPE_U,
    lopsidedness,
    shape_u,
    usual_radius,
)
from glasswright_camera.sharpness.stage import measure_mtf50
from support.edge_traces import HEIGHT, WIDTH, lattice, make_stand, make_trace

STAND = make_stand(pitch_um=5.0)


def squared_radius(place):
    middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    return ((place - middle) ** 2).sum(axis=1) / (WIDTH**2 + HEIGHT**2) * 4


def drooping(place, plane):
    """MTF50 that falls from 0.3 at the centre, faster for lines along the radius."""
    fall = squared_radius(place)
    return np.column_stack([0.3 - 0.1 * fall, 0.3 - 0.05 * fall]) - 0.01 * plane


def test_zones_planes_and_directions_are_told_apart():
    found = measure_mtf50((make_trace(drooping),), None, STAND)
    assert found.green.centre.sagittal_cy_per_px == pytest.approx(0.289, abs=0.002)
    assert found.red.centre.mean_cy_per_px - found.green.centre.mean_cy_per_px == pytest.approx(0.01)
    corner = found.green.upper_left
    assert corner.tangential_cy_per_px > corner.sagittal_cy_per_px
    mean = (corner.sagittal_cy_per_px + corner.tangential_cy_per_px) / 2
    assert corner.mean_cy_per_px == pytest.approx(mean)
    assert corner.astigmatism_frac == pytest.approx((corner.tangential_cy_per_px - corner.sagittal_cy_per_px) / mean)
    # one pixel of 5 um: 200 px/mm
    assert corner.mean_lp_per_mm == pytest.approx(200 * corner.mean_cy_per_px)
    assert found.green.worst_cy_per_px == pytest.approx(
        min(
            getattr(found.green, z).sagittal_cy_per_px
            for z in ("upper_left", "upper_right", "lower_left", "lower_right")
        )
    )
    assert found.green.corner_imbalance_frac == pytest.approx(0.0, abs=1e-9)
    assert found.focus == "single"
    assert found.caveats == ("single_focus",)
    assert found.shot_count == 1
    assert np.isnan(found.focus_steps)


def test_a_corner_that_is_softer_shows_in_the_imbalance():
    def lopsided(place, _plane):
        soft = (place[:, 0] < WIDTH / 3) & (place[:, 1] < HEIGHT / 3)
        return np.where(soft[:, None], 0.2, 0.25) * np.ones((len(place), 2))

    green = measure_mtf50((make_trace(lopsided),), None, STAND).green
    assert green.worst_cy_per_px == pytest.approx(0.2)
    assert green.corner_mean_cy_per_px == pytest.approx(0.2375)
    assert green.corner_imbalance_frac == pytest.approx(0.05 / 0.2375)


def test_uncertainty_falls_with_discs_and_shots():
    one = measure_mtf50((make_trace(u=0.004),), None, STAND).green.centre
    four = measure_mtf50(tuple(make_trace(u=0.004) for _ in range(4)), None, STAND).green.centre
    shared = shape_u(np.full(2, 0.25), usual_radius((make_trace(),)), np.zeros(()))[0]
    assert one.sagittal_cy_per_px_u == pytest.approx(np.hypot(0.004 / np.sqrt(one.disc_count), shared))
    assert four.sagittal_cy_per_px_u == pytest.approx(np.hypot(0.002 / np.sqrt(one.disc_count), shared))


def test_a_blur_of_no_known_shape_counts_more_where_the_disc_holds_fewer_blurs():
    few, many = (shape_u(np.full(2, f), 40.0, np.zeros(())) / f for f in (0.05, 0.5))
    assert few == pytest.approx(np.hypot(SHAPE_U, BENT_SHAPE_U / 4))
    assert many == pytest.approx(np.hypot(SHAPE_U, BENT_SHAPE_U / 400))


def test_a_blur_that_is_not_round_counts_more_and_so_does_one_known_in_one_direction_only():
    shape = shape_u(np.array([[0.3, 0.3], [0.3, 0.25], [0.3, np.nan]]), 1e9, np.zeros(3)) / 0.3
    assert shape[0] == pytest.approx(SHAPE_U)
    assert shape[1, 0] == pytest.approx(np.hypot(SHAPE_U, UNEVEN_SHAPE_U))
    assert shape[2, 0] == pytest.approx(np.hypot(SHAPE_U, UNEVEN_SHAPE_U))


def test_coma_counts_and_noise_alone_is_no_coma():
    assert lopsidedness(np.array([[0.6, 0.8], [0.01, -0.01]]), np.full((2, 2), 0.02)) == pytest.approx(
        [np.sqrt(1 - 0.0008), 0.0]
    )
    plain, comatic = (shape_u(np.full(2, 0.3), 1e9, np.array(much)) / 0.3 for much in (0.0, 2.0))
    assert plain == pytest.approx(SHAPE_U)
    assert comatic == pytest.approx(np.hypot(SHAPE_U, 2 * LOPSIDED_SHAPE_U))
    even = measure_mtf50((make_trace(u=1e-5),), None, STAND)
    trace = replace(make_trace(u=1e-5), lopsided=np.full((3, 117, 2), 2.0))
    uneven = measure_mtf50((trace,), None, STAND)
    assert even.green.centre.sagittal_cy_per_px == uneven.green.centre.sagittal_cy_per_px
    assert uneven.green.centre.sagittal_cy_per_px_u > 5 * even.green.centre.sagittal_cy_per_px_u


def test_scatter_of_five_shots_enters_the_uncertainty_that_of_four_does_not():
    levels = np.array([0.24, 0.25, 0.26, 0.25, 0.245])
    traces = [make_trace(lambda place, _plane, v=v: np.full((len(place), 2), v), u=1e-5) for v in levels]
    five = measure_mtf50(tuple(traces), None, STAND)
    four = measure_mtf50(tuple(traces[:4]), None, STAND)
    means = np.array([levels.mean(), levels[:4].mean()])
    shared, four_shared = shape_u(np.stack([means, means], axis=-1), usual_radius(tuple(traces)), np.zeros(2))[:, 0]
    assert five.green.centre.sagittal_cy_per_px_u == pytest.approx(np.hypot(levels.std(ddof=1) / np.sqrt(5), shared))
    assert four.green.centre.sagittal_cy_per_px_u == pytest.approx(four_shared, rel=1e-3)
    assert four.notes == ("4 shots; their scatter is not used below 5",)


def test_a_sensor_without_colours_is_reported_as_green():
    found = measure_mtf50((make_trace(drooping, planes=("white",)),), None, STAND)
    assert found.green.centre.mean_cy_per_px == pytest.approx(0.299, abs=0.002)
    assert np.isnan(found.red.centre.mean_cy_per_px)
    assert np.isnan(found.blue.worst_cy_per_px)


def test_a_zone_without_discs_is_unknown_and_so_is_the_worst():
    _, place = lattice()
    corner = np.flatnonzero((place[:, 0] < WIDTH * 0.19) & (place[:, 1] < HEIGHT * 0.19))
    found = measure_mtf50((make_trace(lost=tuple(int(k) for k in corner)),), None, STAND)
    assert found.green.upper_left.disc_count == 0
    assert np.isnan(found.green.upper_left.mean_cy_per_px)
    assert np.isnan(found.green.worst_cy_per_px)
    assert np.isnan(found.green.corner_imbalance_frac)
    assert found.green.upper_right.mean_cy_per_px == pytest.approx(0.25)


def test_a_zone_needs_as_many_discs_as_asked_for():
    found = measure_mtf50((make_trace(),), None, STAND, least_zone_discs_count=90)
    assert np.isnan(found.green.centre.mean_cy_per_px)


def test_shots_of_two_bodies_are_refused():
    with pytest.raises(Unmeasurable) as said:
        measure_mtf50((make_trace(), make_trace(shot="chart/0002.dng", width=5000)), None, STAND)
    assert str(said.value) == (
        "chart/0002.dng is 5000 x 4000 (red green blue), chart/0001.dng is 6000 x 4000 (red green blue): "
        "shots of two bodies in one setting"
    )


def test_no_shared_disc_is_refused():
    first, second = make_trace(lost=tuple(range(60))), make_trace(lost=tuple(range(60, 117)))
    with pytest.raises(Unmeasurable, match="no disc is measured in all 2 shots"):
        measure_mtf50((first, second), None, STAND)


# ---- a focus series


def series(best, *, count=9, curvature=0.0, u=1e-4, seed=None):
    """Steps 0 ... count-1 of a series whose blur (1/MTF50^2) is a parabola; corners may focus elsewhere."""
    rng = np.random.default_rng(seed)

    def sharp(step):
        def at(place, _plane):
            focus = best + curvature * squared_radius(place)
            blur = 1 / 0.3**2 * (1 + 0.04 * (step - focus) ** 2)
            value = blur**-0.5
            value = value + (u * rng.standard_normal(value.shape) if seed is not None else 0.0)
            return np.column_stack([value, value])

        return at

    return tuple(
        make_trace(sharp(k), role="focus_series", shot=f"focus_series/{k:04d}.dng", sequence=k, u=u)
        for k in range(count)
    )


def test_the_peak_of_the_series_is_read_not_a_step():
    found = measure_mtf50((), series(4.3), STAND)
    assert found.focus == "series"
    assert found.caveats == ()
    assert found.focus_steps == pytest.approx(4.3, abs=1e-3)
    assert found.green.centre.mean_cy_per_px == pytest.approx(0.3, rel=1e-4)
    assert found.green.centre.best_focus_steps == pytest.approx(0.0, abs=1e-6)


def test_all_zones_are_read_at_the_centres_focus_and_keep_their_own():
    found = measure_mtf50((), series(4.0, curvature=2.0), STAND)
    corner = found.green.upper_left
    _, place = lattice()
    inside = (place[:, 0] < WIDTH * 0.19) & (place[:, 1] < HEIGHT * 0.19)
    own = 2.0 * squared_radius(place)[inside].mean()
    assert corner.best_focus_steps == pytest.approx(own, abs=0.1)
    # away from its own focus it is softer
    assert corner.mean_cy_per_px == pytest.approx(0.3 / np.sqrt(1 + 0.04 * own**2), rel=0.01)


def test_best_focus_has_the_uncertainty_of_a_parabolas_vertex():
    # y = y0 + B (x - x0)^2 at n points: u(x0) = u(y) / (2 B sqrt(sum x^2)) (error propagation of least squares)
    found = [measure_mtf50((), series(4.0, u=0.002, seed=k), STAND) for k in range(40)]
    steps = np.array([each.focus_steps for each in found])
    stated = np.mean([each.focus_steps_u for each in found])
    assert steps.mean() == pytest.approx(4.0, abs=4 * stated / np.sqrt(40))
    assert 0.6 < steps.std(ddof=1) / stated < 1.5


@pytest.mark.parametrize(("best", "side"), [(-1.5, "first"), (10.0, "last")])
def test_focus_beyond_the_series_is_refused_and_the_side_named(best, side):
    with pytest.raises(Unmeasurable) as said:
        measure_mtf50((), series(best), STAND)
    assert str(said.value) == (
        f"best focus of the centre lies outside the focus series, beyond its {side} step; "
        "shoot the series again about the sharpest step"
    )


def test_a_short_series_is_not_used():
    found = measure_mtf50((make_trace(),), series(2.0, count=4), STAND)
    assert found.focus == "single"
    assert found.caveats == ("single_focus",)


def test_plain_shots_beside_a_series_are_not_mixed_in():
    found = measure_mtf50((make_trace(),), series(4.3), STAND)
    assert found.focus == "series"
    assert found.notes == ("1 plain chart shots beside the focus series are not used for sharpness",)
    assert found.shot_count == 9
