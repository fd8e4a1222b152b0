"""Map points of the chart to the sensor, and describe the shape of each disc's edge there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from glasswright_rehearsal.scene.lens import Distortion, Lens, PlaneShift

Array = NDArray[np.float64]

HARMONICS = 8
"""Number of Fourier harmonics of the edge's polar radius: error < 1e-4 px for an 88 px disc stretched by a tenth."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Position of the chart before the camera."""

    magnification_frac: float
    rotation_deg: float = 0.0
    """Clockwise on the sensor."""
    tilt_x_deg: float = 0.0
    """About the horizontal axis."""
    tilt_y_deg: float = 0.0
    """About the vertical axis."""
    shift_px: tuple[float, float] = (0.0, 0.0)
    """Shift of the lattice's middle from the frame's centre."""
    mirrored: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Size of the sensor."""

    width_px: int
    height_px: int
    pitch_um: float

    @property
    def centre_px(self) -> Array:
        """Return x and y of the middle; pixel centres are at integers."""
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    @property
    def half_diagonal_px(self) -> float:
        """Return half the diagonal."""
        return float(np.hypot(self.width_px, self.height_px) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """Sharp images of the discs' edges on the sensor: arrays over (planes, circles)."""

    node_px: Array
    """(planes, circles, 2): image of the lattice node."""
    centre_px: Array
    """(planes, circles, 2): centre of the edge, about which its radius has no first harmonic."""
    radius: Array
    """(planes, circles, 1 + 2 HARMONICS): mean radius, then cosine and sine amplitudes of each harmonic."""


def find_homography(pose: Pose, frame: Frame, focal_length_mm: float) -> Array:
    """Return the 3 x 3 matrix from the chart's plane in millimetres to sensor pixels, without distortion (pinhole)."""
    return find_projection(pose, frame, focal_length_mm)[:, [0, 1, 3]]


def find_projection(pose: Pose, frame: Frame, focal_length_mm: float) -> Array:
    """Return the 3 x 4 matrix from chart millimetres (right, down, away from the camera) to sensor pixels."""
    image_mm = focal_length_mm * (1 + pose.magnification_frac)
    image_px = image_mm * 1000 / frame.pitch_um
    turn = find_turn(pose)
    depth_mm = image_mm / pose.magnification_frac
    shift_mm = np.array(pose.shift_px) * depth_mm / image_px
    place = np.column_stack([turn, [*shift_mm, depth_mm]])
    middle = frame.centre_px
    camera = np.array([[image_px, 0, middle[0]], [0, image_px, middle[1]], [0, 0, 1]])
    matrix = camera @ place
    return np.asarray(matrix / matrix[2, 3], dtype=np.float64)


def find_turn(pose: Pose) -> Array:
    """Return the 3 x 3 rotation of the layout: right, down and away from the camera."""
    roll, tilt_x, tilt_y = np.deg2rad([pose.rotation_deg, pose.tilt_x_deg, pose.tilt_y_deg])
    about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(tilt_x), -np.sin(tilt_x)], [0, np.sin(tilt_x), np.cos(tilt_x)]])
    about_y = np.array([[np.cos(tilt_y), 0, np.sin(tilt_y)], [0, 1, 0], [-np.sin(tilt_y), 0, np.cos(tilt_y)]])
    return np.asarray(about_z @ about_x @ about_y @ np.diag([-1.0 if pose.mirrored else 1.0, 1.0, 1.0]))


def distort(points_px: Array, distortion: Distortion, frame: Frame) -> Array:
    """Return the distorted places of ideal points (..., 2) in green light."""
    axis = frame.centre_px + np.array(distortion.axis_shift_frac) * frame.half_diagonal_px
    offset = points_px - axis
    square = np.sum((offset / frame.half_diagonal_px) ** 2, axis=-1, keepdims=True)
    moved: Array = axis + offset * (1 + distortion.k1 * square + distortion.k2 * square**2)
    return moved


def shift_plane(points_px: Array, shift: PlaneShift, distortion: Distortion, frame: Frame) -> Array:
    """Return the places of green points (..., 2) in another plane."""
    axis = frame.centre_px + np.array(distortion.axis_shift_frac) * frame.half_diagonal_px
    offset = points_px - axis
    square = np.sum((offset / frame.half_diagonal_px) ** 2, axis=-1, keepdims=True)
    moved: Array = axis + offset * (1 + shift.c1 + shift.c3 * square) + np.array(shift.shift_px)
    return moved


def map_points(points_mm: Array, pose: Pose, lens: Lens, frame: Frame, plane: str) -> Array:
    """Map chart points (..., 2) or, with heights, (..., 3) in millimetres to sensor pixels in one plane."""
    matrix = find_projection(pose, frame, lens.focal_length_mm)
    ideal = points_mm @ matrix[:, : points_mm.shape[-1]].T + matrix[:, 3]
    green = distort(ideal[..., :2] / ideal[..., 2:], lens.distortion, frame)
    shift = {"red": lens.red, "blue": lens.blue}.get(plane)
    return green if shift is None else shift_plane(green, shift, lens.distortion, frame)


def fit_edges(
    centre_mm: Array, radius_mm: Array, pose: Pose, lens: Lens, frame: Frame, planes: tuple[str, ...]
) -> Edges:
    """Map every circle's edge to the sensor and return its polar radius about its centre."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    edge_mm = np.repeat(centre_mm[:, None, :], len(turn), axis=1)
    edge_mm[..., :2] += radius_mm[:, None, None] * circle
    edge = np.stack([map_points(edge_mm, pose, lens, frame, plane) for plane in planes])
    node = np.stack([map_points(centre_mm, pose, lens, frame, plane) for plane in planes])
    centre, radius = fit_polar(edge)
    return Edges(node_px=node, centre_px=centre, radius=radius)


def fit_polar(edge: Array) -> tuple[Array, Array]:
    """Fit centre (..., 2) and Fourier radius (..., 1 + 2 HARMONICS) to closed curves (..., points, 2)."""
    centre = edge.mean(axis=-2)
    for _ in range(4):
        offset = edge - centre[..., None, :]
        angle = np.arctan2(offset[..., 1], offset[..., 0])
        columns = [np.ones_like(angle)]
        for k in range(1, HARMONICS + 1):
            columns += [np.cos(k * angle), np.sin(k * angle)]
        design = np.stack(columns, axis=-1)
        normal = np.swapaxes(design, -1, -2) @ design
        right = np.swapaxes(design, -1, -2) @ np.hypot(offset[..., 0], offset[..., 1])[..., None]
        radius = np.linalg.solve(normal, right)[..., 0]
        centre = centre + radius[..., 1:3]
    radius[..., 1:3] = 0.0
    return centre, radius
