"""Front and back focus from traces of a ramp, and its repeatability."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera.focus.autofocus import measure_autofocus, scatter_interval, small_sample_share, summarise
from glasswright_camera.focus.fit import find_vertex
from glasswright_camera.focus.stage import measure_focus_offset
from support.ramp_shots import make_ramp_trace


def at_board(shift_um, m=0.0225, f=50.0):
    z = shift_um / 1000 / m**2
    return z / (1 - z * m / f)


@pytest.mark.parametrize("best_um", [0.0, 7.5, -19.0])
def test_offset_and_axial_colour_of_a_known_blur_curve(best_um):
    result = measure_focus_offset((make_ramp_trace(best_um),))
    assert result.green.shift_um == pytest.approx(best_um, abs=1e-6)
    assert result.green.offset_mm == pytest.approx(at_board(best_um), abs=1e-4)
    # N c (1 + m) with c = 30 um
    assert result.green.offset_depths == pytest.approx(best_um / (2 * 30 * 1.0225), abs=1e-6)
    assert result.red_green_um == pytest.approx(1.5, abs=1e-6)
    assert result.blue_green_um == pytest.approx(-2.0, abs=1e-6)
    assert result.red.offset_mm > result.green.offset_mm > result.blue.offset_mm


def test_the_sharpness_lost_by_an_offset_is_read_from_the_lenss_curve():
    # blur is 8 + 0.03 t^2, so that MTF50 at the band over that at best focus is sqrt(8 / (8 + 0.03 x 15^2))
    sharp = measure_focus_offset((make_ramp_trace(15.0, noise=0.003, seed=2),)).green
    assert sharp.kept_sharpness_frac == pytest.approx(np.sqrt(8 / 14.75), abs=0.01)
    # "within a depth of focus" says nothing of that
    assert abs(sharp.offset_depths) < 0.3
    found = [measure_focus_offset((make_ramp_trace(15.0, noise=0.01, seed=k),)).green for k in range(60)]
    value, u = (np.array([getattr(each, "kept_sharpness_frac" + end) for each in found]) for end in ("", "_u"))
    assert 0.8 < value.std(ddof=1) / np.sqrt(np.mean(u**2)) < 1.25
    place, place_u = (np.array([getattr(each, "shift_um" + end) for each in found]) for end in ("", "_u"))
    assert 0.8 < place.std(ddof=1) / np.sqrt(np.mean(place_u**2)) < 1.25


def test_front_focus_is_negative():
    # sharpest on the near side of the band, where rows have the higher numbers
    trace = make_ramp_trace(-10.0)
    sharpest = trace.mtf50[1].mean(axis=1).argmax()
    assert trace.node[sharpest, 1] > 8
    assert measure_focus_offset((trace,)).green.offset_mm < 0


@settings(max_examples=30, deadline=None)
@given(best=st.floats(-30, 30), depth=st.floats(0.5, 40), move=st.floats(-50, 50))
def test_a_mirrored_moved_or_sharper_curve_changes_the_vertex_accordingly(best, depth, move):
    x = np.linspace(-45, 45, 17)
    blur, blur_u = 8 + depth * ((x - best) / 30) ** 2 + 0.3 * depth * ((x - best) / 30) ** 4, np.full(17, 1e-4)
    vertex = find_vertex(x, blur, blur_u, "green")
    assert vertex.at(x) == pytest.approx(blur, rel=1e-4)
    found = vertex.place
    assert found == pytest.approx(best, abs=1e-3)
    assert find_vertex(-x[::-1], blur[::-1], blur_u, "green").place == pytest.approx(-found, abs=1e-6)
    assert find_vertex(x, 0.37 * blur, 0.37 * blur_u, "green").place == pytest.approx(found, abs=1e-6)
    moved = find_vertex(x + move, blur, blur_u, "green").place
    assert moved == pytest.approx(found + move, abs=1e-6)


@pytest.mark.parametrize("arcmin", [3.4, -3.4])
def test_a_tilt_along_the_board_stretches_offsets_as_the_docstring_says(arcmin):
    # by geometry: a row at distance a along the board lies m a off the axis on the sensor, where the image is m a t
    # behind, and the board's own depth moves it by m^2 a cos(angle)
    m, best, tilt = 0.0225, 15.0, np.radians(arcmin / 60)
    trace = make_ramp_trace(best, magnification=m)
    axial = trace.along_mm * np.cos(np.radians(45))
    shift = 1000 * m**2 * axial / (1 + axial * m / 50.0)
    away = shift - best - 1000 * m * trace.along_mm * tilt
    tilted = replace(trace, mtf50=np.repeat((8 + 0.03 * np.tile(away, (3, 1)) ** 2)[..., None] ** -0.5, 2, axis=-1))
    found = measure_focus_offset((tilted,)).green.shift_um
    assert found == pytest.approx(best / (1 - tilt / (m * np.cos(np.radians(45)))), rel=0.005)
    assert abs(found / best - 1) > 0.05


def test_the_angles_uncertainty_is_part_of_it():
    sharp = measure_focus_offset((make_ramp_trace(15.0, angle_deg_u=1.0),)).green
    # 1.75 % for each degree at 45 degrees
    assert sharp.offset_mm_u / sharp.offset_mm == pytest.approx(0.01745, rel=0.01)


def test_the_vertex_has_the_least_variance():
    # least variance of a parabola's vertex: sigma^2 / (4 B^2 sum x^2). 11 points on -1..1, B = 1, sigma 0.02: 0.0048
    x = np.linspace(-1, 1, 11)
    bound = 0.02 / (2 * np.sqrt((x**2).sum()))
    assert bound == pytest.approx(0.0048, abs=5e-5)
    generator = np.random.default_rng(3)
    blur = 1 + x**2 + 0.02 * generator.normal(size=(300, 11))
    fits = [find_vertex(x, row, np.full(11, 0.02), "green") for row in blur]
    spread = np.std([fit.place for fit in fits])
    assert 0.9 * bound < spread < 1.2 * bound
    # and says so: within a fifth on average
    assert np.mean([fit.place_u for fit in fits]) == pytest.approx(spread, rel=0.2)


def test_a_symmetric_curve_that_is_no_parabola_does_not_move_the_vertex():
    x = np.linspace(-40, 60, 21)
    blur = 8 + 30 * np.sqrt(1 + ((x - 5) / 20) ** 2)
    assert find_vertex(x, blur, np.full(21, 0.01), "green").place == pytest.approx(5, abs=0.15)


@pytest.mark.parametrize(
    ("best_um", "side"),
    [(70.0, "behind the far end"), (-75.0, "in front of the near end"), (48.0, "behind the far end")],
)
def test_best_focus_off_the_board_is_reported_with_its_side(best_um, side):
    with pytest.raises(Unmeasurable, match=f"best focus in (red|green|blue) lies outside the ramp's scale, {side}"):
        measure_focus_offset((make_ramp_trace(best_um),))


def test_a_blur_that_does_not_change_is_no_focus():
    trace = make_ramp_trace(noise=0.01)
    even = replace(trace, mtf50=np.full_like(trace.mtf50, 0.2) * (trace.mtf50 / trace.mtf50.mean()) ** 0.001)
    with pytest.raises(Unmeasurable, match=r"hardly changes along the ramp.*open the aperture"):
        measure_focus_offset((even,))


def test_too_few_rows():
    trace = make_ramp_trace()
    value = trace.mtf50.copy()
    value[:, trace.node[:, 1] > 5] = np.nan
    with pytest.raises(Unmeasurable, match="6 rows of the ramp can be used in green; 7 are needed"):
        measure_focus_offset((replace(trace, mtf50=value),))


def test_unknown_setting():
    with pytest.raises(Unmeasurable, match="focal length or f-number of ramp/0000 is unknown"):
        measure_focus_offset((replace(make_ramp_trace(), setting=None),))


def shots(offsets, noise=0.0):
    return tuple(make_ramp_trace(v, noise=noise, seed=k, shot=f"ramp/{k:04d}") for k, v in enumerate(offsets))


def test_autofocus_bias_scatter_and_worst():
    offsets = [1.0, -3.0, 2.0, 6.0, -1.0]
    result = measure_autofocus(shots(offsets))
    at = np.array([at_board(v) for v in offsets])
    assert result.bias_mm == pytest.approx(at.mean(), abs=1e-3)
    # c4 of five is 0.9400 (Montgomery, Introduction to Statistical Quality Control, appendix VI)
    assert result.scatter_mm == pytest.approx(at.std(ddof=1) / 0.9400, rel=2e-4)
    assert result.scatter_mm_u == pytest.approx(result.scatter_mm * np.sqrt(0.9400**-2 - 1), rel=2e-3)
    assert result.scatter_low_mm == pytest.approx(scatter_interval(float(at.std(ddof=1)), 5)[0])
    assert result.worst_mm == pytest.approx(at_board(6.0), abs=1e-3)
    assert result.worst_depths == pytest.approx(6.0 / (2 * 30 * 1.0225), abs=1e-5)
    assert result.scatter_low_mm < result.scatter_mm < result.scatter_high_mm
    assert result.bias_mm_u == pytest.approx(at.std(ddof=1) / np.sqrt(5), abs=1e-3)


@pytest.mark.parametrize(("count", "low", "high"), [(5, 0.599, 2.874), (10, 0.688, 1.826), (20, 0.760, 1.461)])
def test_interval_of_a_standard_deviation(count, low, high):
    # chi-square tables, as multiples of s (closed form)
    assert scatter_interval(1.0, count) == pytest.approx((low, high), abs=1e-3)


def test_the_interval_of_the_scatter_has_its_coverage():
    generator = np.random.default_rng(7)
    values = generator.normal(size=(2000, 6))
    held = [low < 1 < high for low, high in (scatter_interval(row.std(ddof=1), 6) for row in values)]
    assert np.mean(held) == pytest.approx(0.95, abs=0.015)


@pytest.mark.parametrize(("count", "c4"), [(3, 0.8862), (5, 0.9400), (10, 0.9727), (25, 0.9896)])
def test_scatter_is_without_the_bias_of_small_samples(count, c4):
    # c4 from the same table; 4000 samples tell their mean to 0.8 % at three, and their scatter to 2 %
    assert small_sample_share(count) == pytest.approx(c4, abs=5e-5)
    generator = np.random.default_rng(count)
    found = [
        summarise(1.5 * generator.normal(size=count), np.full(count, 0.01), np.zeros(count), 0.0) for _ in range(4000)
    ]
    scatter = np.array([each.scatter for each in found])
    assert scatter.mean() == pytest.approx(1.5, rel=0.02)
    assert np.mean([each.scatter_u for each in found]) == pytest.approx(scatter.std(), rel=0.06)


def test_the_message_of_too_few_shots_says_how_many_more():
    with pytest.raises(Unmeasurable, match="3 ramp shots; 5 are needed to estimate a scatter: shoot 2 more"):
        measure_autofocus(shots([0.0, 1.0, 2.0]))
    with pytest.raises(
        Unmeasurable, match=r"^1 ramp shot; 5 are needed .* shoot 4 more.* `measure_focus_offset` needs"
    ):
        measure_autofocus(shots([0.0]))
    assert np.isfinite(measure_focus_offset(shots([1.0])).green.offset_mm)


def test_a_shot_that_missed_the_board_is_named():
    with pytest.raises(Unmeasurable, match=r"ramp/0003: best focus in green lies outside the ramp's scale, behind"):
        measure_autofocus(shots([0.0, 1.0, 2.0, 75.0, 0.0]))
