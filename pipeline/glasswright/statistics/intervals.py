"""Confidence intervals of variance components.

Generalised confidence intervals: a sum of squares divided by draws of a chi-squared variable gives draws of its
expected mean square, and so of any function of these (Hamada and Weerahandi, Journal of Quality Technology 32 (2000)
241-253; Burdick, Borror and Montgomery, the same 35 (2003) 342-354; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright.statistics.anova import Anova

    Array = NDArray[np.float64]

DRAWS: Final = 10_000
SEED: Final = 20_260_302
CATEGORIES_FACTOR: Final = 1.41
"""Square root of two, rounded as in the handbook."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A confidence interval."""

    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Intervals:
    """Intervals of a study's standard deviations, in the field's unit, and of quantities derived from them."""

    repeatability: Interval
    reproducibility: Interval
    gauge: Interval
    lens: Interval
    gauge_of_total: Interval
    """Gauge divided by total."""
    categories: Interval


def find_intervals(anova: Anova, confidence: float) -> Intervals:
    """Return the two-sided intervals of an analysis, reproducibly.

    Variances that are only used as a sum are added before negative values are set to 0. If the interaction was pooled,
    the interval of the repeatability includes its degrees of freedom.
    """
    squares = np.zeros((4, DRAWS))
    for row, source in enumerate(anova.sources):
        if source.freedom:
            squares[row] = source.sum_of_squares / _chi_squared(source.freedom, row)
    lens, fitting, interaction, repeat = np.array(anova.weights) @ squares
    reproducibility = np.sqrt(np.maximum(fitting + interaction, 0.0))
    gauge = np.sqrt(np.maximum(fitting + interaction + repeat, 0.0))
    spread = np.sqrt(np.maximum(lens, 0.0))
    if anova.pooled:
        pooled = sum(source.sum_of_squares for source in anova.sources[2:])
        repeat = pooled / _chi_squared(anova.repeat_freedom, 3)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.nan_to_num(gauge / np.hypot(gauge, spread), nan=0.0)
        categories = np.nan_to_num(CATEGORIES_FACTOR * spread / gauge, nan=0.0, posinf=np.inf)
    return Intervals(
        repeatability=_interval(np.sqrt(np.maximum(repeat, 0.0)), confidence),
        reproducibility=_interval(reproducibility, confidence),
        gauge=_interval(gauge, confidence),
        lens=_interval(spread, confidence),
        gauge_of_total=_interval(share, confidence),
        categories=_interval(categories, confidence),
    )


@lru_cache(maxsize=64)
def _chi_squared(freedom: int, stream: int) -> Array:
    return np.random.default_rng((SEED, stream)).chisquare(freedom, DRAWS)


def _interval(draws: Array, confidence: float) -> Interval:
    low, high = np.quantile(draws, [(1 - confidence) / 2, (1 + confidence) / 2], method="inverted_cdf")
    return Interval(low=float(low), high=float(high))
