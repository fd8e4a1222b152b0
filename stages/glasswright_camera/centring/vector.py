"""A vector in the sensor's plane as size and direction, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

NO_DIRECTION_DEG: Final = 104.0
"""Standard deviation of an angle of which nothing is known, 360 / sqrt(12)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointer:
    """Size and direction."""

    size: float
    size_u: float
    deg: float
    """From x towards y, 0 to 360."""
    deg_u: float


NOWHERE: Final = Pointer(size=float("nan"), size_u=float("nan"), deg=float("nan"), deg_u=float("nan"))


def point_along(vector: Array, covariance: Array) -> Pointer:
    """Turn a vector (2,) with its covariance (2, 2) into size and direction."""
    size = float(np.hypot(*vector))
    along = vector / size if size > 0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    aside = float(np.sqrt(across @ covariance @ across))
    turn = np.degrees(aside / size) if size > 0 else NO_DIRECTION_DEG
    return Pointer(
        size=size,
        size_u=float(np.sqrt(along @ covariance @ along)),
        deg=float(np.degrees(np.arctan2(vector[1], vector[0])) % 360),
        deg_u=float(min(turn, NO_DIRECTION_DEG)),
    )
