"""The chart's pose in front of the sensor, from the plane part of a fitted lattice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright_camera.chart.model import project

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.model import Frame
    from glasswright_camera.stand import ChartLayout


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneView:
    """The chart's plane as imaged by a lens of the same scale without distortion."""

    homography: NDArray[np.float64]
    """(3, 3): lattice millimetres from the lattice's middle to sensor pixels."""
    magnification_frac: float
    """At the image centre."""
    rotation_deg: float
    """Rotation of the chart's rows against the sensor's at the image centre, clockwise positive."""


def half_extent_mm(layout: ChartLayout) -> float:
    """Return half the lattice's width between outermost centres: the unit of lattice places."""
    return (layout.columns - 1) / 2 * layout.pitch_mm


def to_lattice(node: NDArray[np.int64], layout: ChartLayout) -> NDArray[np.float64]:
    """Return the places (..., 2) of nodes in half-extents from the lattice's middle: as measured, else as designed."""
    middle = np.array([layout.columns - 1, layout.rows - 1]) / 2
    place = (node - middle) * (layout.pitch_mm / half_extent_mm(layout))
    if layout.nodes_mm:
        inside = np.all((node >= 0) & (node < [layout.columns, layout.rows]), axis=-1)
        measured = np.array(layout.nodes_mm)[np.where(inside, node[..., 1] * layout.columns + node[..., 0], 0), :2]
        place = np.where(inside[..., None], measured / half_extent_mm(layout), place)
    return place


def flatten_nodes(
    node: NDArray[np.int64], layout: ChartLayout, plane: NDArray[np.float64], distance_mm: float
) -> NDArray[np.float64]:
    """Return where nodes (n, 2) appear on a flat lattice, from their measured places and heights.

    A node behind the lattice's plane appears nearer to the foot of the perpendicular from the lens to the plane. On a
    tilted lattice that is not the place in the middle of the image.

    Parameters
    ----------
    plane
        (3, 3): lattice places to undistorted half-diagonals.
    distance_mm
        From the lens to the lattice.
    """
    place = to_lattice(node, layout)
    if not layout.nodes_mm:
        return place
    height = np.array(layout.nodes_mm)[node[:, 1] * layout.columns + node[:, 0], 2]
    scale = np.sqrt(abs(np.linalg.det(differentiate_plane(plane)))) / half_extent_mm(layout)
    normal = find_normal(plane, distance_mm * scale)
    foot = project(np.asarray(np.linalg.inv(plane), np.float64), distance_mm * scale * normal[:2] / normal[2])
    return np.asarray(foot + (place - foot) * (distance_mm / (distance_mm + height))[:, None])


def view_plane(plane: NDArray[np.float64], frame: Frame, layout: ChartLayout, pixel_pitch_um: float) -> PlaneView:
    """Return homography, magnification and rotation of a fitted lattice."""
    extent = half_extent_mm(layout)
    to_frame = np.array(
        [
            [frame.half_diagonal_px, 0, frame.centre_px[0]],
            [0, frame.half_diagonal_px, frame.centre_px[1]],
            [0, 0, 1],
        ]
    )
    homography = to_frame @ plane @ np.diag([1 / extent, 1 / extent, 1])
    slope = differentiate_plane(plane)
    pixels_per_mm = np.sqrt(abs(np.linalg.det(slope))) * frame.half_diagonal_px / extent
    return PlaneView(
        homography=homography / homography[2, 2],
        magnification_frac=float(pixels_per_mm * pixel_pitch_um / 1000),
        # the rotation nearest to the derivative, which takes rows and columns into account
        rotation_deg=float(np.degrees(np.arctan2(slope[1, 0] - slope[0, 1], slope[0, 0] + slope[1, 1]))),
    )


def differentiate_plane(plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the derivative (2, 2) of image by lattice places at the image centre."""
    place = project(np.asarray(np.linalg.inv(plane), np.float64), np.zeros(2))
    full = plane @ np.append(place, 1.0)
    return np.asarray((plane[:2, :2] - np.outer(full[:2] / full[2], plane[2, :2])) / full[2])


def find_normal(plane: NDArray[np.float64], distance: float) -> NDArray[np.float64]:
    """Return the normal (3,) of a plane, away from the lens, in coordinates of the sensor; its length is arbitrary.

    Parameters
    ----------
    plane
        (3, 3): lattice places to undistorted half-diagonals.
    distance
        From the lens to its image, half-diagonals.

    Notes
    -----
    A plane's vanishing line l and its normal n, seen from the lens, obey l ~ K^-T n (Hartley & Zisserman, "Multiple
    View Geometry", 2nd ed., 8.6), with K the camera's matrix; the principal point is taken to be the image centre.
    """
    line = np.linalg.inv(plane).T @ np.array([0.0, 0.0, 1.0])
    normal = line * np.array([distance, distance, 1.0])
    return np.asarray(normal * np.sign(normal[2]))


def measure_tilt(
    plane: NDArray[np.float64],
    frame: Frame,
    magnification_frac: float,
    focal_length_mm: float | None,
    pixel_pitch_um: float,
) -> tuple[float, float]:
    """Return the chart's tilt about the sensor's x and y axes in degrees; NaN without a focal length.

    Parameters
    ----------
    plane
        (3, 3): lattice places to undistorted half-diagonals.
    frame
        The sensor.
    magnification_frac
        At the image centre; sets the image distance f (1 + m).
    focal_length_mm
        Nominal. Its relative error is also that of the angles.
    pixel_pitch_um
        Of the sensor.

    Returns
    -------
    tuple
        About x: positive where the lower edge is farther away. About y: positive where the right edge is nearer.

    Notes
    -----
    See `find_normal`.
    """
    if focal_length_mm is None:
        return float("nan"), float("nan")
    distance = focal_length_mm * (1 + magnification_frac) * 1000 / pixel_pitch_um / frame.half_diagonal_px
    normal = find_normal(plane, distance)
    return (
        float(np.degrees(np.arctan2(-normal[1], np.hypot(normal[0], normal[2])))),
        float(np.degrees(np.arctan2(normal[0], normal[2]))),
    )
