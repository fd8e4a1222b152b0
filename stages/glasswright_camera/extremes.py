"""Standard uncertainty of the extreme of several numbers.

The lowest of many measured values is biased low, even if the true values are equal. A limit on the lowest would fail
sound lenses more often than its guard band promises. The standard uncertainty of an extreme is therefore widened so
that a guard of 1.645 times it (one-sided 95 %) is exceeded by chance once in twenty (Sidak 1967: quantile of the
extreme of n independent normal numbers)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CONFIDENCE: Final = 0.95
REACH: Final = 4.0
"""Joint standard uncertainties from the extreme beyond which a number cannot have been the extreme by chance."""


def widening(count: int) -> float:
    """Return the factor for the extreme of `count` numbers each of which might have been it; 1 for one."""
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
