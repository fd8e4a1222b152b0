"""Places in the field: distance from the image centre, direction of the image radius, and the named zones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.stand import Zones

    Array = NDArray[np.float64]

CORNERS: Final = ("upper_left", "upper_right", "lower_left", "lower_right")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageRadius:
    """Polar coordinates of points about the image centre."""

    fraction: Array
    """Distance in half-diagonals."""
    angle: Array
    """Direction from the image centre in the sensor's frame (x right, y down), radian."""
    unit: Array
    """(points, 2): unit vector of that direction."""


def image_radius(place_px: Array, width_px: int, height_px: int) -> ImageRadius:
    """Return distance and direction of points from the middle of the frame; ``place_px`` is (points, 2)."""
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    offset = place_px - middle
    length = np.linalg.norm(offset, axis=1)
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    return ImageRadius(fraction=length / (np.hypot(width_px, height_px) / 2), angle=angle, unit=unit)


def direction_share(place_px: Array, radius_px: Array, width_px: int, height_px: int) -> Array:
    """Return the weight, 0 to 1, with which the direction of the image radius counts for each disc: (discs,).

    On a disc that contains the image centre the direction is arbitrary, and the weight 0. It rises linearly to 1 where
    the disc's centre is two of its radii away.
    """
    length = np.linalg.norm(place_px - np.array([(width_px - 1) / 2, (height_px - 1) / 2]), axis=1)
    return np.asarray(np.clip(length / radius_px - 1, 0.0, 1.0))


def zone_members(place_px: Array, width_px: int, height_px: int, zones: Zones) -> dict[str, NDArray[np.bool_]]:
    """Return which points lie in each zone, centre, mid and the four corners: name -> (points,)."""
    fraction = image_radius(place_px, width_px, height_px).fraction
    x = (place_px[:, 0] - (width_px - 1) / 2) / (width_px / 2)
    y = (place_px[:, 1] - (height_px - 1) / 2) / (height_px / 2)
    out = zones.corner_from_frac
    return {
        "centre": fraction <= zones.centre_within_frac,
        "mid": (fraction >= zones.mid_inner_frac) & (fraction <= zones.mid_outer_frac),
        "upper_left": (x <= -out) & (y <= -out),
        "upper_right": (x >= out) & (y <= -out),
        "lower_left": (x <= -out) & (y >= out),
        "lower_right": (x >= out) & (y >= out),
    }


def clock_time(deg: float) -> str:
    """Return the position on the lens of a direction in the frame, as clock time seen from the front, to half an hour.

    Parameters
    ----------
    deg
        Direction in the file, from x (right) towards y (down), degrees.

    Notes
    -----
    A lens turns its image by 180 degrees. The right of the file is the left half of the sensor seen from behind the
    camera, and so the right half seen from the front. The bottom of the file is the upper half of the sensor. Seen from
    the front, right stays right and down becomes up.
    """
    halves = round(((90 - deg) % 360) / 15) % 24
    hour, half = divmod(halves, 2)
    return f"{hour or 12}:{30 * half:02d}"
