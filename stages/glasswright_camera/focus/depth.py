"""From a place on an inclined board to the sensor: thin-lens geometry, and how deep the focus is.

The formulas are those of any handbook of photography (subject distance s, focal length f, magnification
m = f / (s - f), f-number N, circle of confusion c).
"""

from __future__ import annotations

from math import cos, radians, tan
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def axial_mm(along_mm: float, angle_deg: float) -> float:
    """Return a distance along the axis from one along a board inclined to the axis by `angle_deg`."""
    return along_mm * cos(radians(angle_deg))


def axial_sensitivity(angle_deg: float) -> float:
    """Return the relative change of `axial_mm` for a change of the angle by one radian: its tangent, less than 0."""
    return -tan(radians(angle_deg))


def sensor_shift_um(axial: Array, focal_length_mm: float, magnification_frac: float) -> Array:
    """Return how far from the sensor a point is sharp that lies `axial` mm behind the plane of magnification m.

    It is m^2 times the distance for small ones: ``m^2 z / (1 + z m / f)``; positive towards the lens, like `axial`
    away from it.
    """
    return 1000 * magnification_frac**2 * axial / (1 + axial * magnification_frac / focal_length_mm)


def board_mm(shift_um: float, focal_length_mm: float, magnification_frac: float) -> float:
    """Undo `sensor_shift_um`."""
    z = shift_um / 1000 / magnification_frac**2
    return z / (1 - z * magnification_frac / focal_length_mm)


def depth_of_focus_um(f_number: float, confusion_um: float, magnification_frac: float) -> float:
    """Return the depth of focus on one side, N c (1 + m)."""
    return f_number * confusion_um * (1 + magnification_frac)
