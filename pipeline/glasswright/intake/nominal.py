"""Assigns a focal length or f-number to the nearest nominal value."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

FOCAL_LENGTH_TOLERANCE: Final = 0.03
"""Relative."""
F_NUMBER_TOLERANCE_STOPS: Final = 1 / 6
ROUNDING: Final = 1e-9


def focal_lengths_agree(one_mm: float, other_mm: float) -> bool:
    """Return whether two focal lengths agree within 3 % of the second."""
    return abs(one_mm / other_mm - 1) <= FOCAL_LENGTH_TOLERANCE + ROUNDING


def f_numbers_agree(one: float, other: float) -> bool:
    """Return whether two f-numbers agree within 1/6 stop; a stop is a factor of the square root of 2."""
    return abs(2 * math.log2(one / other)) <= F_NUMBER_TOLERANCE_STOPS + ROUNDING


def nearest_focal_length(value_mm: float, nominal_mm: Sequence[float]) -> float | None:
    """Return the nearest nominal focal length, or None if it is more than 3 % away."""
    nearest = min(nominal_mm, key=lambda each: (abs(math.log(value_mm / each)), each), default=None)
    return nearest if nearest is not None and focal_lengths_agree(value_mm, nearest) else None


def nearest_f_number(value: float, nominal: Sequence[float]) -> float | None:
    """Return the nearest nominal f-number, or None if it is more than 1/6 stop away."""
    nearest = min(nominal, key=lambda each: (abs(math.log(value / each)), each), default=None)
    return nearest if nearest is not None and f_numbers_agree(value, nearest) else None
