"""Standard deviations from the median absolute deviation, and how well a median is known."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from scipy.stats import median_abs_deviation

if TYPE_CHECKING:
    from numpy.typing import NDArray

MEDIAN_U: Final = math.sqrt(math.pi / 2)
"""Standard uncertainty of a median over that of a mean, of many values of a normal distribution: 1.2533."""


def robust_sigma(values: NDArray[Any], about: float | None = None) -> float:
    """Return the standard deviation that normal values with this median absolute deviation would have.

    Parameters
    ----------
    values
        Any shape; NaN if empty or if one is NaN.
    about
        Centre of the deviations; the values' median if None.
    """
    if about is None:
        return float(median_abs_deviation(values, axis=None, scale="normal"))
    return float(np.median(np.abs(values - about))) / NormalDist().inv_cdf(0.75)
