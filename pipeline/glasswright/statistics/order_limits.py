"""Distribution-free tolerance limits: order statistics of the sample."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betainc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def confidence_of(count: int, cut: int, content: float) -> float:
    """Return the confidence that the range left after cutting `cut` values off a sample covers a fraction `content`.

    The covered fraction has the beta distribution (count + 1 - cut, cut) for any population (Wilks, Annals of
    Mathematical Statistics 1941, 12:91-96), also if several ends of several measures are cut in turn (Tukey, Annals of
    Mathematical Statistics 1947, 18:529-539).
    """
    if cut < 1 or cut > count:
        return 1.0 if cut < 1 else 0.0
    return float(betainc(cut, count + 1 - cut, 1 - content))


def count_needed(cut: int, content: float, confidence: float) -> int:
    """Return the smallest sample from which `cut` values may be cut: 59 for 1 and 93 for 2 at 95 % content and
    confidence."""
    high = cut
    while confidence_of(high, cut, content) < confidence:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if confidence_of(middle, cut, content) >= confidence else (middle, high)
    return high


def most_cut(count: int, content: float, confidence: float) -> int:
    """Return the number of values that may be cut off a sample; 0 if it is too small for one."""
    # confidence decreases with the number cut
    low, high = 0, count + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if confidence_of(count, middle, content) >= confidence else (low, middle)
    return low


def cut_blocks(values: Array, cut: int) -> Array:
    """Cut lenses from the low end of several measures in turn, and return the limits.

    Each turn cuts the lens that is lowest in the next measure among those left. The region above all limits then has
    its content jointly, whatever the correlation of the measures (Tukey 1947).

    Parameters
    ----------
    values
        (lenses, sides), each oriented so that lower is worse.
    cut
        Number of lenses to cut; at least one for each side.

    Returns
    -------
    (sides,): the value of the last lens cut on each side.
    """
    left = np.ones(len(values), dtype=bool)
    limits = np.full(values.shape[1], -np.inf)
    for turn in range(cut):
        side = turn % values.shape[1]
        lens = int(np.argmin(np.where(left, values[:, side], np.inf)))
        left[lens] = False
        limits[side] = values[lens, side]
    return limits
