"""A print's nodes and heights come out of shots of it alone, and their uncertainties are their errors'."""

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.commissioning.print_geometry import (
    CentroidShift,
    adjust_print,
    apply_step,
    linearise,
    list_distortion,
    place_points,
    scale_nodes,
)
from support.print_world import DISTANCE, HALF_DIAGONAL_PX, LENS, VIEWS, align, make_bundle, make_print, shoot

FLAT_VIEWS = (*VIEWS[:4], *VIEWS[8:10])
IN_PERCENT_OF_HEIGHT = 100 * HALF_DIAGONAL_PX / 4000


def rms_um(found, true):
    return 1000 * np.sqrt(np.mean((align(found, true) - true) ** 2, axis=0))


def test_slopes_are_those_of_small_steps():
    design, nodes = make_print(5, 4)
    bundle = make_bundle(nodes, VIEWS[3:7], LENS + 0.01)
    shots, shift = shoot(nodes, views=VIEWS[3:7], shift=CentroidShift(np.full(len(nodes), 1e-6)))
    miss, slope = linearise(bundle, design, shots, shift)
    rows = sum(seen.place.size for seen in shots)
    for column in range(slope.shape[1]):
        step = np.zeros(slope.shape[1])
        step[column] = 1e-5
        moved = (
            linearise(apply_step(bundle, step), design, shots, shift)[0]
            - linearise(apply_step(bundle, -step), design, shots, shift)[0]
        )
        assert np.allclose(-moved[:rows] / 2e-5, slope[:rows, column], atol=2e-7), column
    assert len(miss) == len(slope)


def test_without_noise_nodes_heights_and_lens_come_out():
    design, nodes = make_print(7, 5)
    shots, shift = shoot(nodes, noise_px=1e-6)
    found = adjust_print(design, shots, 1.01 * DISTANCE, shift)
    assert np.all(rms_um(found.nodes, nodes) < 0.01)
    assert found.bundle.lens[0] == pytest.approx(DISTANCE, rel=1e-5)


def test_a_rigid_print_is_found_to_a_micrometre_and_the_lens_with_it():
    design, nodes = make_print()
    shots, shift = shoot(nodes)
    found = adjust_print(design, shots, DISTANCE, shift)
    across, down, height = rms_um(found.nodes, nodes)
    assert max(across, down) < 1.5
    assert height < 5
    heights = np.linspace(0.1, 0.9, 9)
    distortion, u = list_distortion(found, heights)
    true = -0.014 * heights**3 + 0.003 * heights**5 + 0.0005 * heights**7
    assert np.abs(distortion - true).max() * IN_PERCENT_OF_HEIGHT < 0.003
    assert u.max() * IN_PERCENT_OF_HEIGHT < 0.005


def test_ignoring_the_bow_costs_what_is_said_of_it():
    # by simulation before this was built: a bow of 1 mm is 0.02 % of height in one frontal shot of an 800 mm print
    _, nodes = make_print(13, 9)
    flat = nodes * [1, 1, 0]
    bundle = make_bundle(nodes)
    apart = place_points(bundle, 0, nodes) - place_points(bundle, 0, flat)
    apart -= apart.mean(axis=0)
    assert 0.01 < np.abs(apart).max() * IN_PERCENT_OF_HEIGHT < 0.04


def test_without_tilts_bow_and_distortion_are_not_told_apart_and_u_says_so():
    design, nodes = make_print()
    shots, shift = shoot(nodes, views=FLAT_VIEWS)
    found = adjust_print(design, shots, DISTANCE, shift)
    bow = np.sqrt(np.mean(found.nodes_u[:, 2] ** 2))
    assert bow > 0.03  # with tilts it is 0.003
    assert 1e-3 * rms_um(found.nodes, nodes)[2] < 3 * bow


def test_truth_lies_within_two_u_as_often_as_two_u_promise():
    # what is the same all over is the gauge's; each node's own distance from its row's and column's mean is not
    inside, count = 0, 0
    for seed in range(4):
        design, nodes = make_print(7, 5, seed=seed)
        shots, shift = shoot(nodes, seed=100 + seed)
        found = adjust_print(design, shots, DISTANCE, shift)
        off = align(found.nodes, nodes) - nodes
        inside += int(np.sum(np.abs(off) <= 2 * found.nodes_u))
        count += off.size
    assert 0.92 < inside / count < 0.99


@pytest.mark.parametrize("mountings", [tuple(range(12)), (0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2)])
def test_what_the_print_moves_between_mountings_is_found_and_goes_into_u(mountings):
    design, nodes = make_print(7, 5, seed=3)
    shots, shift = shoot(nodes, moved_mm=0.05, mountings=mountings, seed=5)
    found = adjust_print(design, shots, DISTANCE, shift)
    assert np.sqrt(np.mean(found.movement_mm**2)) == pytest.approx(0.05, rel=0.15)
    off = 1e-3 * rms_um(found.nodes, nodes)
    u = np.sqrt(np.mean(found.nodes_u**2, axis=0))
    assert np.all(off < 1.6 * u)
    assert np.all(off > 0.5 * u)
    assert u[0] > 0.01


def test_a_disc_is_not_seen_where_its_middle_is():
    # perspective moves a disc's centroid by r^2 sin(t) cos(t) / D of a pinhole (Ahn, Warnecke and Rauh 1999)
    nodes = np.zeros((1, 3))
    tilt = np.radians(12)
    bundle = make_bundle(make_print()[1], ((0, 12, 0, 0, 0),), np.array([DISTANCE, *[0.0] * 11]))
    bundle = type(bundle)(nodes=nodes, turns=bundle.turns, shifts=np.array([[0.0, 0.0, 2000.0]]),
                          lens=bundle.lens, distance_mm=2000.0)  # fmt: skip
    shift = CentroidShift(np.array([12.0])).find(bundle, 0, np.array([0]))[0]
    assert abs(shift[1]) == pytest.approx(DISTANCE * 12**2 * np.sin(tilt) * np.cos(tilt) / 2000**2, rel=0.02)
    assert abs(shift[0]) < 1e-12


def test_the_rule_gives_the_size():
    design, nodes = make_print(7, 5)
    shots, shift = shoot(nodes)
    found = adjust_print(design, shots, DISTANCE, shift)
    scaled, u = scale_nodes(found, (14, 20), 361.0, 0.1)
    assert np.linalg.norm(scaled[14] - scaled[20]) == pytest.approx(361.0)
    assert u == pytest.approx(0.1 / 361)


def test_too_few_shots_are_refused():
    design, nodes = make_print(5, 4)
    shots, shift = shoot(nodes, views=VIEWS[:3])
    with pytest.raises(Unmeasurable, match="3 shots of the print: at least 4 are needed"):
        adjust_print(design, shots, DISTANCE, shift)
