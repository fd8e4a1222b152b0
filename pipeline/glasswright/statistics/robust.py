"""Robust description of a sample, insensitive to a few bad lenses."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

OUTLIER_SCORE: Final = 3.5
"""Modified z score above which a value is an outlier (Iglewicz and Hoaglin, How to Detect and Handle Outliers,
1993)."""
FEWEST_FOR_SHAPE: Final = 8
MAD_OF_NORMAL: Final = NormalDist().inv_cdf(0.75)
"""Median absolute deviation of a normal distribution over its standard deviation: 0.6745."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSummary:
    """Summary statistics of a sample, in the unit of its values."""

    count: int
    median: float
    robust_sigma: float
    """From the median absolute deviation."""
    mean: float
    sigma: float
    low: float
    high: float
    quartile_low: float
    quartile_high: float
    skew: float
    """Skewness from the quartiles (Bowley), -1 to 1; 0 for a symmetric sample."""
    normal_probability: float | None
    """Probability of the Shapiro-Wilk test, small for a sample that is not normal; None for fewer than 8 values, or if
    all are the same."""
    outliers: tuple[int, ...]
    """Indices of the outliers."""


def robust_sigma(values: Array) -> float:
    """Return the standard deviation that normal values (n,) with this median absolute deviation would have.

    As `scipy.stats.median_abs_deviation` with ``scale="normal"``; importing that takes half a second, which every
    command would pay.
    """
    return float(np.median(np.abs(values - np.median(values)))) / MAD_OF_NORMAL


def describe(values: Array) -> SampleSummary:
    """Return the summary statistics of a sample of at least one value."""
    low, middle, high = (float(each) for each in np.quantile(values, (0.25, 0.5, 0.75)))
    return SampleSummary(
        count=len(values),
        median=middle,
        robust_sigma=robust_sigma(values),
        mean=float(values.mean()),
        sigma=float(values.std(ddof=1)) if len(values) > 1 else 0.0,
        low=float(values.min()),
        high=float(values.max()),
        quartile_low=low,
        quartile_high=high,
        skew=(low + high - 2 * middle) / (high - low) if high > low else 0.0,
        normal_probability=shape_probability(values),
        outliers=tuple(int(each) for each in np.flatnonzero(np.abs(modified_scores(values)) > OUTLIER_SCORE)),
    )


def shape_probability(values: Array) -> float | None:
    """Return the probability of the Shapiro-Wilk test for normality; None if the sample is too small or constant."""
    if len(values) < FEWEST_FOR_SHAPE or np.ptp(values) == 0:
        return None
    from scipy.stats import shapiro

    return float(shapiro(values).pvalue)


def modified_scores(values: Array) -> Array:
    """Return the modified z scores: 0.6745 (value - median) / MAD.

    All 0 if more than half of the values are the same.
    """
    sigma = robust_sigma(values)
    return (values - np.median(values)) / sigma if sigma > 0 else np.zeros_like(values)
