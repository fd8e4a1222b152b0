"""Displacement of red and blue from green, by component, and the fringe's width."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import NotApplicable, Unmeasurable
from glasswright_camera.extremes import widening
from glasswright_camera.fringing.stage import measure_fringing
from support.edge_traces import HEIGHT, WIDTH, lattice, make_stand, make_trace

STAND = make_stand(pitch_um=5.0)
MIDDLE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])


def moved(*, magnify=0.0, uniform=(0.0, 0.0), turn=0.0, plane=0):
    """Displace one plane by a magnification, a shift and a rotation."""

    def shift(place, index):
        if index != plane:
            return np.zeros_like(place)
        offset = place - MIDDLE
        across = np.column_stack([-offset[:, 1], offset[:, 0]])
        return magnify * offset + np.array(uniform) + turn * across

    return make_trace(shift=shift)


def test_a_difference_of_magnification_is_radial():
    # 0.1 % at 3000 px is 3 px
    found = measure_fringing((moved(magnify=1e-3),), STAND).red_green
    _, place = lattice()
    length = np.linalg.norm(place - MIDDLE, axis=1)
    assert found.worst_px == pytest.approx(1e-3 * length.max())
    assert found.mean_px == pytest.approx(1e-3 * length.mean())
    assert found.worst_um == pytest.approx(5 * found.worst_px)
    assert found.worst_pct == pytest.approx(100 * found.worst_px / HEIGHT)
    # corner zones begin at 0.62 of both half sides
    corner = (np.abs(place - MIDDLE) > 0.62 * np.array([WIDTH, HEIGHT]) / 2).all(axis=1)
    assert found.corner_radial_px == pytest.approx(1e-3 * length[corner].mean())
    assert found.worst_tangential_px == pytest.approx(0.0, abs=1e-9)
    assert found.uniform_x_px == pytest.approx(0.0, abs=1e-9)


def test_inwards_is_negative():
    assert measure_fringing((moved(magnify=-1e-3),), STAND).red_green.corner_radial_px < -2.0


def test_a_uniform_shift_is_reported_separately():
    found = measure_fringing((moved(magnify=5e-4, uniform=(0.4, -0.2)),), STAND).red_green
    assert found.uniform_x_px == pytest.approx(0.4)
    assert found.uniform_y_px == pytest.approx(-0.2)
    assert found.worst_tangential_px == pytest.approx(0.0, abs=1e-9)
    assert found.worst_px > 5e-4 * 2600


@pytest.mark.parametrize("turn", [2e-4, -2e-4])
def test_a_rotation_is_tangential_in_either_sense(turn):
    found = measure_fringing((moved(turn=turn, plane=2),), STAND)
    _, place = lattice()
    assert found.blue_green.worst_tangential_px == pytest.approx(2e-4 * np.linalg.norm(place - MIDDLE, axis=1).max())
    assert found.blue_green.corner_radial_px == pytest.approx(0.0, abs=1e-9)
    assert found.red_green.worst_px == 0.0


@given(magnify=st.floats(-1e-3, 1e-3), x=st.floats(-1, 1), y=st.floats(-1, 1))
@settings(max_examples=10, deadline=None)
def test_a_mirrored_image_mirrors(magnify, x, y):
    found = measure_fringing((moved(magnify=magnify, uniform=(x, y)),), STAND).red_green
    mirrored = measure_fringing((moved(magnify=magnify, uniform=(-x, y)),), STAND).red_green
    assert mirrored.uniform_x_px == pytest.approx(-found.uniform_x_px, abs=1e-9)
    assert mirrored.corner_radial_px == pytest.approx(found.corner_radial_px, abs=1e-9)
    assert mirrored.worst_px == pytest.approx(found.worst_px, abs=1e-9)


def test_the_uncertainty_is_that_of_two_centres():
    found = measure_fringing((moved(magnify=1e-3),), STAND)
    # the four outermost discs are equally far off, and the worst of four is uncertain for it
    assert found.worst_red_green_px_u == pytest.approx(0.002 * np.sqrt(2) * widening(4))
    # nowhere but on the centre disc is the direction unknown
    assert found.red_green.mean_px_u == pytest.approx(0.002 * np.sqrt(2) / np.sqrt(117), rel=1e-3)
    assert found.disc_count == 117


def test_the_fringe_contains_lateral_colour_and_difference_of_blur():
    clean = measure_fringing((make_trace(),), STAND)
    assert clean.corner_fringe_px == pytest.approx(0.0, abs=1e-6)
    lateral = measure_fringing((moved(magnify=1e-3),), STAND)
    # two step edges d apart enclose the area d
    assert lateral.corner_fringe_px == pytest.approx(lateral.red_green.corner_radial_px, rel=0.02)

    def soft_blue(place, plane):
        return np.full((len(place), 2), 0.12 if plane == 2 else 0.25)

    blurred = measure_fringing((make_trace(soft_blue),), STAND)
    # area between two Gaussian edges: (s1 - s2) sqrt(2 / pi)
    expected = (0.187391 / 0.12 - 0.187391 / 0.25) * np.sqrt(2 / np.pi)
    assert blurred.corner_fringe_px == pytest.approx(expected, rel=0.02)
    assert blurred.red_green.worst_px == 0.0


def test_a_sensor_without_colours_has_no_fringing():
    with pytest.raises(NotApplicable) as error:
        measure_fringing((make_trace(planes=("white",)),), STAND)
    assert str(error.value) == (
        "the stand file says `monochrome: true`, and a sensor without colour filters tells no colours apart"
    )


def test_planes_that_are_merely_missing_are_no_sensor_without_colours():
    with pytest.raises(Unmeasurable) as error:
        measure_fringing((make_trace(planes=("red", "green")),), STAND)
    assert str(error.value) == "fringing needs red, green and blue planes; this sensor has red green"
    assert not isinstance(error.value, NotApplicable)


def test_shots_without_a_common_disc_are_refused():
    with pytest.raises(Unmeasurable, match="no disc has a place in red and in green in all of 2 shots"):
        measure_fringing((make_trace(lost=tuple(range(60))), make_trace(lost=tuple(range(60, 117)))), STAND)


def test_without_corner_discs_the_corner_numbers_are_unknown():
    _, place = lattice()
    far = np.abs(place - MIDDLE)
    corner = np.flatnonzero((far[:, 0] > 0.6 * WIDTH / 2) & (far[:, 1] > 0.6 * HEIGHT / 2))
    found = measure_fringing((make_trace(lost=tuple(int(k) for k in corner)),), STAND)
    assert np.isnan(found.red_green.corner_radial_px)
    assert np.isnan(found.corner_fringe_px)
    assert np.isfinite(found.red_green.worst_px)


def test_a_gap_in_the_edge_profiles_does_not_widen_the_fringe():
    whole = moved(magnify=2e-4)
    profile = whole.profile.copy()
    profile[0, ..., 46:50] = np.nan  # in red only, 3 to 5 px beyond the edge
    gap = dataclasses.replace(whole, profile=profile)
    found, expected = (measure_fringing((each,), STAND).corner_fringe_px for each in (gap, whole))
    assert found == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("magnify", [0.0, 2e-6, 1e-5, 1e-4])
def test_noise_adds_no_mean_length(magnify):
    rng = np.random.default_rng(6)
    _, place = lattice()
    truth = magnify * np.linalg.norm(place - MIDDLE, axis=1).mean()
    pulls = []
    for _ in range(60):
        noise = rng.normal(0.0, 0.002, (2, *place.shape))
        found = measure_fringing(
            (make_trace(shift=lambda p, k, n=noise: n[k // 2] + (magnify if k == 0 else 0.0) * (p - MIDDLE)),), STAND
        ).red_green
        pulls.append((found.mean_px - truth) / found.mean_px_u)
    # centres are uncertain by 0.002 px in each plane; of 60 draws 95 % hold within 3 to 5
    assert np.mean(np.abs(pulls) < 1.96) > 0.9
    assert abs(np.mean(pulls)) < 1.0
