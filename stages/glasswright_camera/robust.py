"""Standard deviations from the median absolute deviation, and how well a median is known."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

MEDIAN_U: Final = math.sqrt(math.pi / 2)
"""Standard uncertainty of a median over that of a mean, of many values of a normal distribution: 1.2533."""

MAD_OF_NORMAL: Final = NormalDist().inv_cdf(0.75)
"""Median absolute deviation of a normal distribution over its standard deviation: 0.6745."""


def robust_sigma(values: NDArray[Any], about: float | None = None) -> float:
    """Return the standard deviation that normal values with this median absolute deviation would have.

    As `scipy.stats.median_abs_deviation` with ``scale="normal"``; importing that takes half a second, which every
    process would pay. The engine's own is no part of a stage's address, which hashes the plugin's sources only.

    Parameters
    ----------
    values
        Any shape; NaN if empty or if one is NaN.
    about
        Centre of the deviations; the values' median if None.
    """
    if not values.size:
        return math.nan
    centre = np.median(values) if about is None else about
    return float(np.median(np.abs(values - centre))) / MAD_OF_NORMAL
