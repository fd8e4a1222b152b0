"""Standard deviations from the median absolute deviation."""

from __future__ import annotations

from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import median_abs_deviation

if TYPE_CHECKING:
    from numpy.typing import NDArray


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
