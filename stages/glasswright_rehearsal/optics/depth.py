"""Defocus of the parts of an inclined board."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.scene.geometry import find_turn, map_points

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_rehearsal.scene.geometry import Frame, Pose
    from glasswright_rehearsal.scene.layout import Circles
    from glasswright_rehearsal.scene.lens import Lens

    Array = NDArray[np.float64]


def defocus_by_depth(
    circles: Circles, pose: Pose, lens: Lens, frame: Frame, is_deep: bool
) -> tuple[Array, Array | None]:
    """Return the defocus of circles nearer or farther than the layout's middle, micrometres at the sensor.

    Positive is behind the sensor.

    Returns
    -------
    tuple
        (circles,) at each centre, and (circles, 2): at the right and the lower edge, minus that at the centre; None if
        not `is_deep`.
    """
    centre = sharp_image_um(find_depth_mm(circles.centre_mm, pose), pose, lens)
    if not is_deep:
        return centre, None
    side = np.zeros((len(centre), 2))
    for axis in range(2):
        step = np.zeros(3)
        step[axis] = 1.0
        ends = [circles.centre_mm + sign * step * circles.radius_mm[:, None] for sign in (1, -1)]
        first, last = (sharp_image_um(find_depth_mm(end, pose), pose, lens) for end in ends)
        moved = [map_points(end, pose, lens, frame, "green") for end in ends]
        apart = moved[0] - moved[1]
        # direction of this layout axis on the sensor
        towards = apart / np.hypot(apart[:, 0], apart[:, 1])[:, None]
        side += (first - last)[:, None] / 2 * towards
    return centre, side


def find_depth_mm(points_mm: Array, pose: Pose) -> Array:
    """Return the depth of points (..., 2) or (..., 3) of the layout relative to its middle, along the optical axis."""
    return np.asarray(points_mm @ find_turn(pose)[2, : points_mm.shape[-1]])


def sharp_image_um(depth_mm: Array, pose: Pose, lens: Lens) -> Array:
    """Return the image distance of points at a depth behind the focused plane, from the sensor (thin lens).

    With the plane at s = f (1 + 1/m), the image of a point at s + z is ``m^2 z / (1 + z m / f)`` before the sensor.
    """
    m = pose.magnification_frac
    return np.asarray(-1000 * m**2 * depth_mm / (1 + depth_mm * m / lens.focal_length_mm))
