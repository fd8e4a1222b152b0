"""Sharpness by zone: as shot, and at best focus of a series."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.sharpness.reading import (
    ASYMMETRY_SHAPE_U,
    CURVED_SHAPE_U,
    SHAPE_U,
    UNEVEN_SHAPE_U,
    _zone,
    find_asymmetry,
    median_radius,
    shape_parts,
    shape_u,
)
from glasswright_camera.sharpness.stage import measure_mtf50
from support.edge_traces import HEIGHT, WIDTH, lattice, make_stand, make_trace

STAND = make_stand(pitch_um=5.0)


def squared_radius(place):
    middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
    return ((place - middle) ** 2).sum(axis=1) / (WIDTH**2 + HEIGHT**2) * 4


def drooping(place, plane):
    """MTF50 that falls from 0.3 at the centre, faster for radial lines."""
    fall = squared_radius(place)
    return np.column_stack([0.3 - 0.1 * fall, 0.3 - 0.05 * fall]) - 0.01 * plane


def test_zones_planes_and_directions_are_separate():
    found = measure_mtf50((make_trace(drooping),), STAND)
    # 0.3 in the very middle, and 0.01 lower in green than in red
    assert found.green.centre.sagittal_cy_per_px == pytest.approx(0.29, abs=1e-4)
    assert found.red.centre.mean_cy_per_px - found.green.centre.mean_cy_per_px == pytest.approx(0.01, abs=1e-4)
    corner = found.green.upper_left
    assert corner.tangential_cy_per_px > corner.sagittal_cy_per_px
    mean = (corner.sagittal_cy_per_px + corner.tangential_cy_per_px) / 2
    assert corner.mean_cy_per_px == pytest.approx(mean)
    assert corner.direction_difference_frac == pytest.approx(
        (corner.tangential_cy_per_px - corner.sagittal_cy_per_px) / mean
    )
    # one pixel of 5 um: 200 px/mm
    assert corner.mean_lp_per_mm == pytest.approx(200 * corner.mean_cy_per_px)
    assert found.green.worst_cy_per_px == pytest.approx(
        min(
            getattr(found.green, z).sagittal_cy_per_px
            for z in ("upper_left", "upper_right", "lower_left", "lower_right")
        )
    )
    assert found.green.corner_imbalance_frac == pytest.approx(0.0, abs=1e-9)
    assert found.caveats == ("single_focus",)
    assert found.shot_count == 1


def test_a_corner_that_is_softer_shows_in_the_imbalance():
    def asymmetric(place, _plane):
        soft = (place[:, 0] < WIDTH / 3) & (place[:, 1] < HEIGHT / 3)
        return np.where(soft[:, None], 0.2, 0.25) * np.ones((len(place), 2))

    green = measure_mtf50((make_trace(asymmetric),), STAND).green
    # the smooth surface fits a step in the field worst
    assert green.worst_cy_per_px == pytest.approx(0.2, rel=0.015)
    assert green.corner_mean_cy_per_px == pytest.approx(0.2375, rel=0.015)
    assert green.corner_imbalance_frac == pytest.approx(0.05 / 0.2375, rel=0.06)


def test_uncertainty_falls_with_discs_and_shots():
    one = measure_mtf50((make_trace(u=0.004),), STAND).green.centre
    four = measure_mtf50(tuple(make_trace(u=0.004) for _ in range(4)), STAND).green.centre
    shared = shape_u(np.full(2, 0.25), median_radius((make_trace(),)), np.zeros(()))[0]
    noise, quarter = (np.sqrt(each.sagittal_cy_per_px_u**2 - shared**2) for each in (one, four))
    assert quarter == pytest.approx(noise / 2)
    # extrapolation to the zone's place adds some uncertainty to the mean
    assert 1 <= noise / (0.004 / np.sqrt(one.disc_count)) < 1.2


def test_an_unknown_shape_adds_more_uncertainty_to_small_discs():
    few, many = (shape_u(np.full(2, f), 40.0, np.zeros(())) / f for f in (0.05, 0.5))
    assert few == pytest.approx(np.hypot(SHAPE_U, CURVED_SHAPE_U / 4))
    assert many == pytest.approx(np.hypot(SHAPE_U, CURVED_SHAPE_U / 400))


def test_asymmetric_or_one_directional_blur_adds_uncertainty():
    shape = shape_u(np.array([[0.3, 0.3], [0.3, 0.25], [0.3, np.nan]]), 1e9, np.zeros(3)) / 0.3
    assert shape[0] == pytest.approx(SHAPE_U)
    assert shape[1, 0] == pytest.approx(np.hypot(SHAPE_U, UNEVEN_SHAPE_U))
    assert shape[2, 0] == pytest.approx(np.hypot(SHAPE_U, UNEVEN_SHAPE_U))


def test_coma_adds_uncertainty_and_noise_alone_does_not():
    assert find_asymmetry(np.array([[0.6, 0.8], [0.01, -0.01]]), np.full((2, 2), 0.02)) == pytest.approx(
        [np.sqrt(1 - 0.0008), 0.0]
    )
    plain, comatic = (shape_u(np.full(2, 0.3), 1e9, np.array(much)) / 0.3 for much in (0.0, 2.0))
    assert plain == pytest.approx(SHAPE_U)
    assert comatic == pytest.approx(np.hypot(SHAPE_U, 2 * ASYMMETRY_SHAPE_U))
    even = measure_mtf50((make_trace(u=1e-5),), STAND)
    trace = replace(make_trace(u=1e-5), asymmetry=np.full((3, 117, 2), 2.0))
    uneven = measure_mtf50((trace,), STAND)
    assert even.green.centre.sagittal_cy_per_px == uneven.green.centre.sagittal_cy_per_px
    assert uneven.green.centre.sagittal_cy_per_px_u > 5 * even.green.centre.sagittal_cy_per_px_u


def test_scatter_of_five_shots_enters_the_uncertainty_that_of_four_does_not():
    levels = np.array([0.24, 0.25, 0.26, 0.25, 0.245])
    traces = [make_trace(lambda place, _plane, v=v: np.full((len(place), 2), v), u=1e-5) for v in levels]
    five = measure_mtf50(tuple(traces), STAND)
    four = measure_mtf50(tuple(traces[:4]), STAND)
    means = np.array([levels.mean(), levels[:4].mean()])
    shared, four_shared = shape_u(np.stack([means, means], axis=-1), median_radius(tuple(traces)), np.zeros(2))[:, 0]
    assert five.green.centre.sagittal_cy_per_px_u == pytest.approx(np.hypot(levels.std(ddof=1) / np.sqrt(5), shared))
    assert four.green.centre.sagittal_cy_per_px_u == pytest.approx(four_shared, rel=1e-3)
    assert four.notes == ("4 shots; their scatter is not used below 5",)


def test_a_sensor_without_colours_is_reported_as_green():
    found = measure_mtf50((make_trace(drooping, planes=("white",)),), STAND)
    assert found.green.centre.mean_cy_per_px == pytest.approx(0.299, abs=0.002)
    assert np.isnan(found.red.centre.mean_cy_per_px)
    assert np.isnan(found.blue.worst_cy_per_px)


def test_a_zone_without_discs_is_unknown_and_so_is_the_worst():
    _, place = lattice()
    corner = np.flatnonzero((place[:, 0] < WIDTH * 0.19) & (place[:, 1] < HEIGHT * 0.19))
    found = measure_mtf50((make_trace(lost=tuple(int(k) for k in corner)),), STAND)
    assert found.green.upper_left.disc_count == 0
    assert np.isnan(found.green.upper_left.mean_cy_per_px)
    assert np.isnan(found.green.worst_cy_per_px)
    assert np.isnan(found.green.corner_imbalance_frac)
    assert found.green.upper_right.mean_cy_per_px == pytest.approx(0.25)


def test_a_zone_needs_as_many_discs_as_asked_for():
    found = measure_mtf50((make_trace(),), STAND, least_zone_discs_count=90)
    assert np.isnan(found.green.centre.mean_cy_per_px)


def test_shots_of_two_bodies_are_refused():
    with pytest.raises(Unmeasurable) as error:
        measure_mtf50((make_trace(), make_trace(shot="chart/0002.dng", width=5000)), STAND)
    assert str(error.value) == (
        "chart/0002.dng is 5000 x 4000 (red green blue), chart/0001.dng is 6000 x 4000 (red green blue): "
        "shots of two bodies in one setting"
    )


def test_no_shared_disc_is_refused():
    first, second = make_trace(lost=tuple(range(60))), make_trace(lost=tuple(range(60, 117)))
    with pytest.raises(Unmeasurable, match="no disc is measured in all of 2 shots"):
        measure_mtf50((first, second), STAND)


@pytest.mark.parametrize("fill", [0.92, 0.86])
def test_a_zone_is_the_same_place_for_any_size_of_the_lattice(fill):
    def scaled(trace):
        middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
        centre = middle + (trace.centre_px - middle) * fill / 0.88
        return replace(trace, centre_px=centre, mtf50=np.stack([drooping(c, 0) for c in centre]))

    green = measure_mtf50((scaled(make_trace()),), STAND).green
    # of 0.3 - 0.1 r^2 and 0.3 - 0.05 r^2, at r = 0.8 and 0.5
    assert green.upper_left.sagittal_cy_per_px == pytest.approx(0.3 - 0.1 * 0.64, abs=1e-4)
    assert green.lower_right.tangential_cy_per_px == pytest.approx(0.3 - 0.05 * 0.64, abs=1e-4)
    assert green.mid.sagittal_cy_per_px == pytest.approx(0.3 - 0.1 * 0.25, abs=1e-4)
    assert (green.centre.height_frac, green.mid.height_frac, green.upper_right.height_frac) == (0.0, 0.5, 0.8)


def test_a_corner_that_the_lattice_does_not_reach_is_not_measured():
    def small(trace):
        middle = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
        return replace(trace, centre_px=middle + (trace.centre_px - middle) * 0.85)

    found = measure_mtf50((small(make_trace()),), STAND)
    assert found.fill_frac == pytest.approx(0.85 * 0.88, abs=1e-3)
    assert found.green.upper_left.disc_count > 0
    assert np.isnan([found.green.upper_left.mean_cy_per_px, found.green.worst_cy_per_px]).all()
    assert np.isfinite(found.green.mid.mean_cy_per_px)
    assert found.notes == (
        "not measured: upper left, upper right, lower left, lower right: the lattice spans 75 % of the frame and "
        "does not surround their places (image heights 0.8, 0.8, 0.8, 0.8), or they hold too few discs: hang the chart "
        "nearer",
    )


def test_the_ratio_to_the_ceiling_is_that_of_diffraction_and_pixel():
    # at f/4 with pixels of 5 um the cut-off of 0.47 um light is 2.6596 cycles/pixel; Goodman's transfer of a perfect
    # lens times sinc is one half at 0.4883
    share = 0.4883 / (5 / (0.47 * 4))
    assert 2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2)) * np.sinc(0.4883) == pytest.approx(
        0.5, abs=1e-4
    )
    found = measure_mtf50((make_trace(),), STAND).green.centre
    assert found.ceiling_ratio == pytest.approx(0.25 / 0.4883, abs=1e-4)
    assert found.ceiling_ratio_u == pytest.approx(found.mean_cy_per_px_u / 0.4883, rel=1e-3)


def test_the_unknown_shape_of_a_blur_is_a_share_of_it_whatever_the_scale():
    mtf50, asymmetry = np.array([[0.2, 0.203], [0.25, 0.248]]), np.array([0.1, 0.2])
    common, directional = shape_parts(mtf50, 12.0, asymmetry)
    for scale in (0.5, 2.0):
        wider_common, wider = shape_parts(mtf50 / scale, 12.0 * scale, asymmetry)
        assert wider == pytest.approx(directional / scale)
        assert wider_common == pytest.approx(common / scale)
    # of squared blurs that differ by 1.5 % of their sum; in proportion up to 6 %
    assert directional[0] == pytest.approx(mtf50[0] * UNEVEN_SHAPE_U * (1.015**2 - 1) / (1.015**2 + 1) / 0.06)
    # both directions alike leave no directional part, the worst case is where one is missing
    even = shape_parts(np.array([0.2, 0.2]), 12.0, np.array(0.0))[1]
    missing = shape_parts(np.array([0.2, np.nan]), 12.0, np.array(0.0))[1]
    assert even.tolist() == [0, 0]
    assert missing[0] == pytest.approx(0.2 * UNEVEN_SHAPE_U)


def test_the_u_of_a_zones_values_is_that_of_independent_errors():
    # first-order propagation by differences: mean (s + t) / 2, difference (t - s) / mean
    value, own, common, across = (np.array(each) for each in ((0.2, 0.3), (0.01, 0.02), (0.005, 0.005), (0.02, 0.01)))
    zone = _zone(value, own, common, across, 0.5, 7, 4.0, 0.6)
    apart = np.hypot(own, across)

    def difference(s, t):
        return 2 * (t - s) / (s + t)

    steps = [(difference(*(value + step)) - difference(*(value - step))) / 2 for step in np.diag(apart)]
    assert zone.direction_difference_frac == pytest.approx(difference(*value))
    assert zone.direction_difference_frac_u == pytest.approx(np.hypot(*steps), rel=0.02)
    # errors of opposite sign in both directions are not in the mean
    assert zone.mean_cy_per_px_u == pytest.approx(np.sqrt(0.01**2 / 4 + 0.02**2 / 4 + 0.005**2))
    assert (zone.mean_lp_per_mm, zone.ceiling_ratio) == (pytest.approx(0.25 * 250), pytest.approx(0.25 / 0.6))
    assert zone.mean_lp_per_mm_u == pytest.approx(250 * zone.mean_cy_per_px_u)
    assert zone.ceiling_ratio_u == pytest.approx(zone.mean_cy_per_px_u / 0.6)
    assert zone.sagittal_cy_per_px_u == pytest.approx(np.sqrt(0.01**2 + 0.005**2 + 0.02**2))
    assert (zone.height_frac, zone.disc_count) == (0.5, 7)
