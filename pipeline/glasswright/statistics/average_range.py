"""The average-and-range way to the same parts: by hand it needs no squares, so it is a check on the analysis.

The handbook of measurement system analysis of the automotive industry, 4th edition; its factors K are one over the mean
range of normal numbers, for a single range corrected as d2* (Duncan), and are computed here for any count.
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
"""Normal numbers beyond so many standard deviations do not count."""
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
    """Distinct categories; infinite where the gauge shows no scatter at all."""


def by_average_and_range(values: Array) -> AverageRange | None:
    """Return the parts of a complete crossed set; None with one repeat, which has no range, or where one is missing.

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
    """Return the mean range of so many normal numbers, in standard deviations (d2)."""
    place, weight = _nodes(-REACH, REACH)
    return float(weight @ (1 - ndtr(-place) ** count - ndtr(place) ** count))


@lru_cache(maxsize=64)
def single_range_of(count: int) -> float:
    """Return the root mean square range of so many normal numbers (d2* of one range).

    It is what one range alone is divided by, for its square to be right in the mean.
    """
    highs, weights = _nodes(-REACH, REACH)
    square = 0.0
    for high, weight in zip(highs, weights, strict=True):
        low, inner = _nodes(-REACH, float(high))
        chance = 1 - ndtr(high) ** count - ndtr(-low) ** count + (ndtr(high) - ndtr(low)) ** count
        square += 2 * weight * float(inner @ chance)
    return math.sqrt(square)


def _nodes(start: float, end: float) -> tuple[Array, Array]:
    """Return places and weights that integrate a smooth function (Gauss and Legendre)."""
    place, weight = leggauss(NODES)
    half = (end - start) / 2
    return start + half * (place + 1), half * weight
