"""The rehearsal's mapping of points, against OpenCV and the published models."""

import cv2
import numpy as np
import pytest

from glasswright_rehearsal import Distortion, Frame, Lens, PlaneShift, Pose
from glasswright_rehearsal.scene.geometry import distort, find_homography, fit_edges, map_points

FRAME = Frame(width_px=6000, height_px=4000, pitch_um=6.0)


def test_pose_and_distortion_against_opencv():
    # cv2.projectPoints with the same pinhole and the Brown-Conrady terms k1, k2, rescaled from focal lengths to
    # half-diagonals
    pose = Pose(magnification_frac=0.022, rotation_deg=3.0, tilt_x_deg=1.5, tilt_y_deg=-2.0, shift_px=(40.0, -25.0))
    k1, k2 = -0.05, 0.012
    lens = Lens(focal_length_mm=50.0, distortion=Distortion(k1=k1, k2=k2))
    points = np.random.default_rng(1).uniform(-600, 600, (60, 2))
    image_mm = 50.0 * 1.022
    focal_px = image_mm / 0.006
    turn = cv2.Rodrigues(np.deg2rad([0.0, 0.0, 3.0]))[0] @ cv2.Rodrigues(np.deg2rad([1.5, 0.0, 0.0]))[0]
    turn = turn @ cv2.Rodrigues(np.deg2rad([0.0, -2.0, 0.0]))[0]
    depth = image_mm / 0.022
    # the shift moves the chart, not the axis, so it goes into the translation
    place = np.array([40.0 * depth / focal_px, -25.0 * depth / focal_px, depth])
    centre = FRAME.centre_px
    camera = np.array([[focal_px, 0, centre[0]], [0, focal_px, centre[1]], [0, 0, 1]])
    scale = focal_px / FRAME.half_diagonal_px
    solid = np.column_stack([points, np.zeros(len(points))])
    plain = cv2.projectPoints(solid, cv2.Rodrigues(turn)[0], place, camera, None)[0][:, 0]
    bent = np.array([k1 * scale**2, k2 * scale**4, 0, 0, 0])
    expected = cv2.projectPoints(solid, cv2.Rodrigues(turn)[0], place, camera, bent)[0][:, 0]
    ideal = np.column_stack([points, np.ones(len(points))]) @ find_homography(pose, FRAME, 50.0).T
    assert np.abs(ideal[:, :2] / ideal[:, 2:] - plain).max() < 1e-6
    assert np.abs(map_points(points, pose, lens, FRAME, "green") - expected).max() < 1e-6


def test_picture_height_distortion_of_one_coefficient():
    # sag of the top border over the height: k w^2 / 2 with w the half width; 3:2 and k = -0.02 give -0.692 %
    moved = distort(np.array([[-0.5, -0.5], [2999.5, -0.5]]), Distortion(k1=-0.02), FRAME)
    assert 100 * (moved[1, 1] - moved[0, 1]) / 4000 == pytest.approx(-0.692, abs=5e-4)


def test_lateral_colour_moves_a_plane_along_the_radius_and_bodily():
    lens = Lens(red=PlaneShift(c1=2e-4, c3=1e-4, shift_px=(0.2, -0.1)))
    pose = Pose(magnification_frac=0.022)
    points = np.array([[600.0, 0.0], [0.0, 0.0], [-300.0, 400.0]])
    green = map_points(points, pose, lens, FRAME, "green")
    moved = map_points(points, pose, lens, FRAME, "red") - green
    offset = green - FRAME.centre_px
    r = np.hypot(offset[:, 0], offset[:, 1]) / FRAME.half_diagonal_px
    expected = offset * (2e-4 + 1e-4 * r[:, None] ** 2) + np.array([0.2, -0.1])
    assert np.abs(moved - expected).max() < 1e-9
    assert np.array_equal(map_points(points, pose, lens, FRAME, "blue"), green)


def test_edge_of_a_tilted_distorted_disc_is_met_to_a_thousandth_pixel():
    pose = Pose(magnification_frac=0.022, rotation_deg=5.0, tilt_x_deg=4.0)
    lens = Lens(distortion=Distortion(k1=-0.12))
    centre, radius = np.array([[650.0, 430.0]]), np.array([24.0])
    edges = fit_edges(centre, radius, pose, lens, FRAME, ("green",))
    turn = np.linspace(0, 2 * np.pi, 1000)
    edge = map_points(centre + 24.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1), pose, lens, FRAME, "green")
    offset = edge - edges.centre_px[0, 0]
    angle, row = np.arctan2(offset[:, 1], offset[:, 0]), edges.radius[0, 0]
    fitted = row[0] + sum(
        row[2 * k - 1] * np.cos(k * angle) + row[2 * k] * np.sin(k * angle) for k in range(1, len(row) // 2 + 1)
    )
    assert np.abs(fitted - np.hypot(offset[:, 0], offset[:, 1])).max() < 1e-3


def test_perspective_parts_the_edge_centre_from_the_node():
    # ellipse centre minus projected centre = r^2 sin t cos t / f (Ahn, Warnecke and Kotowski 1999): here 5 degrees
    pose = Pose(magnification_frac=0.022, tilt_y_deg=5.0)
    edges = fit_edges(np.zeros((1, 2)), np.array([24.0]), pose, Lens(), FRAME, ("green",))
    focal_px = 50 * 1.022 / 0.006
    expected = 88.0**2 * np.sin(np.deg2rad(5)) * np.cos(np.deg2rad(5)) / focal_px
    found = np.abs(edges.centre_px - edges.node_px)[0, 0]
    assert found[0] == pytest.approx(expected, rel=0.03)
    assert found[1] < 1e-6
