"""What a sample looks like, told so that a few bad lenses do not change the story."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import median_abs_deviation, shapiro

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ODD_SCORE: Final = 3.5
"""Modified z score that makes a value odd (Iglewicz and Hoaglin, How to Detect and Handle Outliers, 1993)."""
FEWEST_FOR_SHAPE: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Looks:
    """A sample in a few numbers, in the unit of its values."""

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
    """Of the quartiles (Bowley): 0 for a symmetric sample, from -1 to 1."""
    normal_probability: float | None
    """Of the Shapiro-Wilk test: small where the sample is not normal; None for fewer than 8 values, or all the same."""
    odd: tuple[int, ...]
    """Places of the values whose modified z score is beyond 3.5."""


def describe(values: Array) -> Looks:
    """Describe a sample of at least one value."""
    low, middle, high = (float(each) for each in np.quantile(values, (0.25, 0.5, 0.75)))
    return Looks(
        count=len(values),
        median=middle,
        robust_sigma=float(median_abs_deviation(values, scale="normal")),
        mean=float(values.mean()),
        sigma=float(values.std(ddof=1)) if len(values) > 1 else 0.0,
        low=float(values.min()),
        high=float(values.max()),
        quartile_low=low,
        quartile_high=high,
        skew=(low + high - 2 * middle) / (high - low) if high > low else 0.0,
        normal_probability=shape_probability(values),
        odd=tuple(int(each) for each in np.flatnonzero(np.abs(modified_scores(values)) > ODD_SCORE)),
    )


def shape_probability(values: Array) -> float | None:
    """Return the probability of a sample as uneven as this one if the population were normal (Shapiro and Wilk)."""
    if len(values) < FEWEST_FOR_SHAPE or np.ptp(values) == 0:
        return None
    return float(shapiro(values).pvalue)


def modified_scores(values: Array) -> Array:
    """Return the modified z score of every value: 0.6745 of its distance from the median over the median such distance.

    All 0 where more than half of the values are the same.
    """
    sigma = float(median_abs_deviation(values, scale="normal"))
    return (values - np.median(values)) / sigma if sigma > 0 else np.zeros_like(values)
