"""How far from focus the parts of an inclined board are."""

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
    """Return the defocus of circles that lie nearer or farther than the layout's middle, micrometres at the sensor.

    Positive is behind the sensor, as for the lens's own.

    Returns
    -------
    tuple
        (circles,) of each centre, and (circles, 2): what the right and the lower side of the edge have more; None
        where not `is_deep`.
    """
    centre = sharp_image_um(find_depth_mm(circles.centre_mm, pose), pose, lens)
    if not is_deep:
        return centre, None
    side = np.zeros((len(centre), 2))
    for axis in range(2):
        step = np.zeros(2)
        step[axis] = 1.0
        ends = [circles.centre_mm + sign * step * circles.radius_mm[:, None] for sign in (1, -1)]
        first, last = (sharp_image_um(find_depth_mm(end, pose), pose, lens) for end in ends)
        moved = [map_points(end, pose, lens, frame, "green") for end in ends]
        apart = moved[0] - moved[1]
        # what runs along this axis of the layout points somewhere on the sensor
        towards = apart / np.hypot(apart[:, 0], apart[:, 1])[:, None]
        side += (first - last)[:, None] / 2 * towards
    return centre, side


def find_depth_mm(points_mm: Array, pose: Pose) -> Array:
    """Return how much farther than the layout's middle its points (..., 2) are, along the optical axis."""
    return np.asarray(points_mm @ find_turn(pose)[2, :2])


def sharp_image_um(depth_mm: Array, pose: Pose, lens: Lens) -> Array:
    """Return where points so much farther than the focused plane are sharp, behind the sensor positive (thin lens).

    With the plane at s = f (1 + 1/m), a point at s + z is sharp ``m^2 z / (1 + z m / f)`` before the sensor.
    """
    m = pose.magnification_frac
    return np.asarray(-1000 * m**2 * depth_mm / (1 + depth_mm * m / lens.focal_length_mm))
