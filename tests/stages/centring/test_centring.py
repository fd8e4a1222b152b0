"""Tilt, decentring and field curvature from traces with a known field."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera.centring.stage import measure_centring
from glasswright_camera.centring.vector import mean_length, point_along, true_length
from glasswright_camera.distortion.stage import measure_distortion
from glasswright_camera.field import clock_time
from glasswright_camera.sharpness.stage import measure_best_focus
from support.centring_traces import HALF_PX, PITCH_UM, make_body, make_field_trace, make_series, make_stand
from support.chart_drawing import make_layout
from support.chart_traces import make_shots

LAYOUT = make_layout()
ARCMIN_PER_UM = 1 / (HALF_PX * PITCH_UM) * 180 / np.pi * 60
"""Tilt over one half-diagonal."""


def measure(*, stand=None, series=None, distortion=None, noise=0.0, seed=0, **field):
    trace = make_field_trace(LAYOUT, noise=noise, seed=seed, **field)
    stand = stand or make_stand()
    focus = None if series is None else replace(measure_best_focus(series, stand), setting=series[0].setting)
    return measure_centring((trace,), focus and (focus,), None, distortion, stand)


def make_chart_result(**view):
    """A distortion result whose pose is known."""
    stand = make_stand()
    use = replace(stand.charts[0], layout=LAYOUT)
    return measure_distortion(make_shots(layout=LAYOUT, **view), replace(stand, charts=(use,)))


def test_the_softer_side_is_found_beside_an_even_bowl():
    found = measure(slope=(-0.12, 0.16), bowl=-0.3)
    assert found.side_slope_frac == pytest.approx(0.2, rel=1e-3)
    # MTF50 grows towards (-0.6, 0.8), so the softer side lies opposite
    assert found.worse_side_deg == pytest.approx(np.degrees(np.arctan2(-0.8, 0.6)) % 360, abs=0.1)


def test_coma_of_the_middle_has_size_and_direction():
    found = measure(coma=(-0.3, -0.4), noise=0.01)
    assert found.coma_ratio == pytest.approx(0.5, abs=0.02)
    assert found.coma_deg == pytest.approx(233.13, abs=2)
    assert 0 < found.coma_ratio_u < 0.01


def test_centre_of_the_colours():
    found = measure(colour_centre=(0.08, -0.05), noise=1e-3)
    for colour in ("red", "blue"):
        assert getattr(found, f"{colour}_centre_x_frac") == pytest.approx(0.08, abs=0.003)
        assert getattr(found, f"{colour}_centre_y_frac") == pytest.approx(-0.05, abs=0.003)
        assert 0 < getattr(found, f"{colour}_centre_x_frac_u") < 0.003


def test_colours_without_displacement_have_no_centre():
    found = measure(colour_centre=(0.0, 0.0), colour_px=1e-4, noise=0.003)
    assert np.isnan(found.red_centre_x_frac)
    assert np.isnan(found.red_centre_x_frac_u)


def test_tilt_and_bowl_of_a_series():
    series = make_series(LAYOUT, tilt_um=(9.0, -12.0), field_curvature_um=4.0)
    found = measure(series=series, distortion=make_chart_result(), stand=make_stand(reference_tilt=make_body(0.0, 0.0)))
    assert found.focus_tilt_x_arcmin == pytest.approx(9 * ARCMIN_PER_UM, rel=0.01)
    assert found.focus_tilt_y_arcmin == pytest.approx(-12 * ARCMIN_PER_UM, rel=0.01)
    assert found.focus_tilt_deg == pytest.approx(306.87, abs=0.5)
    assert found.tilt_steps == pytest.approx(15 / 6, rel=0.01)
    assert found.field_curvature_um == pytest.approx(4.0, abs=0.1)
    assert found.tilt_of == "lens"
    assert found.caveats == ()


def test_twenty_micrometres_over_36_mm_are_two_arc_minutes():
    # atan(20 um / 36 mm) = 0.0318 degrees = 1.91 arc minutes (closed form)
    tilt_um = 20.0 / 36_000 * HALF_PX * PITCH_UM
    found = measure(series=make_series(LAYOUT, tilt_um=(tilt_um, 0.0)), distortion=make_chart_result())
    assert found.focus_tilt_x_arcmin == pytest.approx(1.91, abs=0.02)


def test_the_image_of_a_tilted_chart_is_subtracted():
    # Scheimpflug: a chart whose right edge is nearer by 0.5 degrees has an image tilted by m times that, to the back
    distortion = make_chart_result(tilt_y=0.5)
    assert distortion.pose_tilt_y_deg == pytest.approx(0.5, abs=0.02)
    image_um = np.tan(np.radians(0.5 * 0.0225)) * HALF_PX * PITCH_UM
    found = measure(series=make_series(LAYOUT, tilt_um=(image_um, 0.0)), distortion=distortion)
    assert abs(found.focus_tilt_x_arcmin) < 0.03
    assert found.tilt_steps == pytest.approx(image_um / 6, rel=0.02)


def test_the_bodys_tilt_is_subtracted_and_its_uncertainty_included():
    series = make_series(LAYOUT, tilt_um=(9.0, 0.0))
    stand = make_stand(reference_tilt=make_body(9 * ARCMIN_PER_UM, -1.0, 0.4))
    found = measure(series=series, distortion=make_chart_result(), stand=stand)
    assert found.focus_tilt_x_arcmin == pytest.approx(0.0, abs=0.02)
    assert found.focus_tilt_y_arcmin == pytest.approx(1.0, abs=0.02)
    assert found.focus_tilt_x_arcmin_u == pytest.approx(0.4, abs=0.01)


def test_missing_data_set_caveats():
    series = make_series(LAYOUT, tilt_um=(9.0, 0.0))
    alone = measure(series=series, distortion=make_chart_result())
    assert (alone.tilt_of, alone.caveats) == ("lens and body", ("body_tilt_unknown",))
    blind = measure(series=series)
    assert (blind.tilt_of, blind.caveats) == ("not separable", ("pose_not_separable",))
    assert blind.focus_tilt_x_arcmin == pytest.approx(9 * ARCMIN_PER_UM, rel=0.01)
    doubtful = replace(make_chart_result(), caveats=("pose_not_separable",))
    assert measure(series=series, distortion=doubtful).tilt_of == "not separable"
    nothing = measure()
    assert nothing.tilt_of == "not measured"
    assert np.isnan([nothing.focus_tilt_arcmin, nothing.field_curvature_um, nothing.falloff_centre_x_frac]).all()


def test_without_a_steps_size_the_tilt_is_in_steps_alone():
    found = measure(series=make_series(LAYOUT, tilt_um=(9.0, 0.0)), stand=make_stand(focus_step=None))
    assert np.isnan([found.focus_tilt_arcmin, found.focus_tilt_x_arcmin, found.field_curvature_um]).all()
    assert found.tilt_steps == pytest.approx(1.5, rel=0.01)


@settings(max_examples=15, deadline=None)
@given(x=st.floats(-12, 12), y=st.floats(-12, 12))
def test_a_mirrored_lens_mirrors(x, y):
    one, other = (measure(series=make_series(LAYOUT, tilt_um=(sign * x, y))) for sign in (1, -1))
    assert one.focus_tilt_x_arcmin == pytest.approx(-other.focus_tilt_x_arcmin, abs=1e-6)
    assert one.focus_tilt_y_arcmin == pytest.approx(other.focus_tilt_y_arcmin, abs=1e-6)


def test_intervals_have_their_coverage():
    inside = []
    for seed in range(40):
        found = measure(slope=(0.1, 0.0), noise=0.01, seed=seed)
        inside.append(abs(found.side_slope_frac - 0.1) < 2 * found.side_slope_frac_u)
    # 95 % of 40 is 38; fewer than 34 has a chance of 2 %
    assert sum(inside) >= 34


def test_the_direction_of_a_zero_vector_has_a_large_uncertainty():
    # the size is that of noise, so the direction is uncertain by a large part of a turn
    assert point_along(np.array([0.01, 0.0]), np.diag([1.0, 1.0])).deg_u == pytest.approx(104)
    assert point_along(np.zeros(2), np.diag([1.0, 1.0])).deg_u == pytest.approx(104)


def test_too_few_discs():
    trace = make_field_trace(LAYOUT)
    value = trace.mtf50.copy()
    value[:, 9:] = np.nan
    with pytest.raises(Unmeasurable, match="only 9 discs with an edge in all shots; 12 are needed"):
        measure_centring((replace(trace, mtf50=value),), None, None, None, make_stand())


def test_a_short_series():
    with pytest.raises(Unmeasurable, match="the focus series has 4 steps that can be used; 5 are needed"):
        measure(series=make_series(LAYOUT, steps=4))


def test_a_series_that_few_discs_pass_through():
    with pytest.raises(Unmeasurable, match=r"only \d+ of 117 discs pass through best focus.*with more steps"):
        measure(series=make_series(LAYOUT, tilt_um=(900.0, 0.0)))


@pytest.mark.parametrize("length", [0.0, 0.5, 1.0, 2.0, 5.0, 20.0])
def test_noise_adds_no_mean_length_and_is_in_the_uncertainty(length):
    rng = np.random.default_rng(3)
    draws = np.array([length, 0.0]) + rng.standard_normal((2000, 2))
    # Rice's mean is the closed form's
    assert np.hypot(*draws.T).mean() == pytest.approx(mean_length(length), abs=0.06)
    assert true_length(mean_length(length), 1.0) == pytest.approx(length, abs=0.01)
    found = [point_along(draw, np.eye(2)) for draw in draws]
    size, u = np.array([(each.size, each.size_u) for each in found]).T
    assert np.mean(np.abs(size - length) <= 2 * u) > 0.93
    # a length is never negative, so half of the bias of the plain length (1.25) is left
    assert size.mean() == pytest.approx(length, abs=0.65 if length == 0 else 0.35)


@pytest.mark.parametrize(
    ("deg", "time"),
    [(0, "3:00"), (90, "12:00"), (180, "9:00"), (270, "6:00"), (45, "1:30"), (315, "4:30"), (359, "3:00")],
)
def test_a_direction_in_the_file_is_a_clock_position_on_the_lens(deg, time):
    # the image is turned by 180 degrees, and who looks into the lens sees left and right exchanged: right stays right,
    # down becomes up
    assert clock_time(deg) == time
