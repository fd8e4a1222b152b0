"""How uncertain the worst of several numbers is.

The least of many equal numbers lies below all of them by chance: a limit that holds for each would be failed by the
worst of them far more often than a guard band promises. The standard uncertainty of an extreme is therefore widened
so that a guard of 1.645 times it (one-sided 95 %) again lets chance through once in twenty (Sidak 1967: the quantile of
the extreme of n independent normal numbers).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CONFIDENCE: Final = 0.95
REACH: Final = 4.0
"""A number further than this many joint standard uncertainties from the extreme could not have been it by chance."""


def widening(count: int) -> float:
    """Return the factor for the extreme of `count` numbers that might all have been it; 1 for one."""
    return float(ndtri(CONFIDENCE ** (1 / max(count, 1))) / ndtri(CONFIDENCE))


def extreme_u(value: Array, value_u: Array, at: int) -> float:
    """Return the standard uncertainty of ``value[at]`` as the extreme of (n,) independent numbers."""
    near = np.abs(value - value[at]) <= REACH * np.hypot(value_u, value_u[at])
    return float(value_u[at]) * widening(int(near.sum()))


def range_u(value: Array, value_u: Array) -> float:
    """Return the standard uncertainty of the largest less the smallest of (n,) independent numbers."""
    high, low = int(np.argmax(value)), int(np.argmin(value))
    gap = value[:, None] - value[None, :]
    gap_u = np.hypot(value_u[:, None], value_u[None, :])
    near = np.abs(gap - gap[high, low]) <= REACH * np.hypot(gap_u, gap_u[high, low])
    np.fill_diagonal(near, False)
    return float(gap_u[high, low]) * widening(int(near.sum()))
