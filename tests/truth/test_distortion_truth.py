"""Distortion against OpenCV, a published worked point, and the exact link between radial and line distortion."""

import cv2
import numpy as np
import pytest

from glasswright_camera.chart.model import DistortionModel
from glasswright_camera.distortion.lines import measure_edge_bend, measure_radial


def test_the_worked_point():
    # the Brown-Conrady form as OpenCV's documentation of the camera model writes it, worked by hand:
    # (0.3, -0.2), k1 = -0.1, k2 = 0.01, p1 = 0.001, p2 = -0.0005
    distortion = DistortionModel(radial=np.array([-0.1, 0.01]), tangential=np.array([0.001, -0.0005]))
    np.testing.assert_allclose(distortion.apply(np.array([0.3, -0.2])), [0.2958757, -0.1971638], atol=5e-8)


@pytest.mark.parametrize("seed", range(5))
def test_the_lens_is_opencvs(seed):
    rng = np.random.default_rng(seed)
    k1, k2, k3 = rng.uniform(-0.2, 0.2, 3)
    p1, p2 = rng.uniform(-0.01, 0.01, 2)
    place = rng.uniform(-1, 1, (50, 2))
    flat = np.column_stack([place, np.ones(50)])
    expected = cv2.projectPoints(flat, np.zeros(3), np.zeros(3), np.eye(3), np.array([k1, k2, p1, p2, k3]))[0][:, 0]
    distortion = DistortionModel(radial=np.array([k1, k2, k3]), tangential=np.array([p1, p2]))
    np.testing.assert_allclose(distortion.apply(place), expected, atol=1e-12)


def test_opencv_removes_the_distortion():
    place = np.random.default_rng(0).uniform(-0.8, 0.8, (50, 2))
    distortion = DistortionModel(radial=np.array([-0.05, 0.02, -0.005]), tangential=np.array([0.0004, -0.0003]))
    lens = np.array([-0.05, 0.02, 0.0004, -0.0003, -0.005])
    criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 100, 1e-12)
    back = cv2.undistortPoints(distortion.apply(place)[:, None], np.eye(3), lens, criteria=criteria)[:, 0]
    np.testing.assert_allclose(back, place, atol=1e-9)


def test_the_derivative_is_opencvs():
    place = np.random.default_rng(1).uniform(-0.8, 0.8, (20, 2))
    distortion = DistortionModel(radial=np.array([-0.05, 0.02, -0.005]), tangential=np.array([0.0004, -0.0003]))
    lens = np.array([-0.05, 0.02, 0.0004, -0.0003, -0.005])
    flat = np.column_stack([place, np.ones(20)])
    slopes = cv2.projectPoints(flat, np.zeros(3), np.zeros(3), np.eye(3), lens)[1]
    # OpenCV's columns 3 and 4 are the shift in x and y, which moves a point at distance 1 as its own place does
    np.testing.assert_allclose(distortion.differentiate(place).reshape(-1, 2), slopes[:, 3:5], atol=1e-9)


@pytest.mark.parametrize(
    ("width", "height", "top", "side"),
    # r' = r (1 + k r^2), k = -0.02 at the corner: dH/H = k w^2 / 2, dW/W = k h^2 / 2 (derived, exact)
    [(3, 2, -0.692, -0.308), (4, 3, -0.640, -0.360), (16, 9, -0.760, -0.240), (1, 1, -0.500, -0.500)],
)
def test_line_distortion_of_a_barrel_lens(width, height, top, side):
    diagonal = np.hypot(width, height)
    distortion = DistortionModel(radial=np.array([-0.02]), tangential=np.zeros(2))
    found = measure_edge_bend(distortion, width / diagonal, height / diagonal)
    assert found["top"] == pytest.approx(top, abs=5e-4)
    assert found["bottom"] == pytest.approx(top, abs=5e-4)
    assert found["left"] == pytest.approx(side, abs=5e-4)
    assert found["right"] == pytest.approx(side, abs=5e-4)
    assert found["top"] == pytest.approx(-2.0 * (width / diagonal) ** 2 / 2, abs=1e-12)
    assert measure_radial(distortion, np.array([1.0]))[0] == pytest.approx(-2.0)
