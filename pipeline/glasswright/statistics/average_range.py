"""The average-and-range method for the same components, as a check on the analysis of variance.

From the automotive industry's handbook of measurement system analysis, 4th edition. Its factors K are the inverse of
the mean range of normal numbers, for a single range corrected as d2* (Duncan); here they are computed for any count.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.polynomial.legendre import leggauss
from scipy.special import ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

REACH: Final = 8.0
"""Range of integration in standard deviations."""
NODES: Final = 96


@dataclass(frozen=True, slots=True, kw_only=True)
class AverageRange:
    """Standard deviations by average and range, in the field's unit."""

    mean_range: float
    """Mean range of the repeats of a cell."""
    repeatability: float
    reproducibility: float
    gauge: float
    lens: float
    total: float
    categories: float
    """Number of distinct categories; infinite if the gauge has no scatter."""


def by_average_and_range(values: Array) -> AverageRange | None:
    """Return the components of a complete crossed design; None with one repeat or with missing readings.

    Parameters
    ----------
    values
        (lenses, fittings, repeats).
    """
    lenses, fittings, repeats = values.shape
    if repeats < 2 or np.isnan(values).any():
        return None
    mean_range = float(np.ptp(values, axis=2).mean())
    repeatability = mean_range / mean_range_of(repeats)
    between = float(np.ptp(values.mean(axis=(0, 2)))) / single_range_of(fittings)
    reproducibility = math.sqrt(max(between**2 - repeatability**2 / (lenses * repeats), 0.0))
    gauge = math.hypot(repeatability, reproducibility)
    lens = float(np.ptp(values.mean(axis=(1, 2)))) / single_range_of(lenses)
    return AverageRange(
        mean_range=mean_range,
        repeatability=repeatability,
        reproducibility=reproducibility,
        gauge=gauge,
        lens=lens,
        total=math.hypot(gauge, lens),
        categories=1.41 * lens / gauge if gauge > 0 else math.inf,
    )


@lru_cache(maxsize=64)
def mean_range_of(count: int) -> float:
    """Return the mean range of `count` normal numbers, in standard deviations (d2)."""
    place, weight = _nodes(-REACH, REACH)
    return float(weight @ (1 - ndtr(-place) ** count - ndtr(place) ** count))


@lru_cache(maxsize=64)
def single_range_of(count: int) -> float:
    """Return the root mean square range of `count` normal numbers (d2* of one range).

    A single range divided by it estimates sigma with an unbiased square.
    """
    highs, weights = _nodes(-REACH, REACH)
    square = 0.0
    for high, weight in zip(highs, weights, strict=True):
        low, inner = _nodes(-REACH, float(high))
        chance = 1 - ndtr(high) ** count - ndtr(-low) ** count + (ndtr(high) - ndtr(low)) ** count
        square += 2 * weight * float(inner @ chance)
    return math.sqrt(square)


def _nodes(start: float, end: float) -> tuple[Array, Array]:
    """Return nodes and weights of Gauss-Legendre quadrature."""
    place, weight = leggauss(NODES)
    half = (end - start) / 2
    return start + half * (place + 1), half * weight
