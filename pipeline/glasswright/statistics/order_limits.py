"""Limits that assume nothing of a population's shape: values of the sample itself, counted from its ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betainc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def confidence_of(count: int, cut: int, content: float) -> float:
    """Return the confidence that what remains of a sample after `cut` values are cut off its ends holds a share.

    The share held has the beta distribution (count + 1 - cut, cut), whatever the population (Wilks, Annals of
    Mathematical Statistics 1941, 12:91-96), and also where several ends of several measures are cut one after the other
    (Tukey, Annals of Mathematical Statistics 1947, 18:529-539).
    """
    if cut < 1 or cut > count:
        return 1.0 if cut < 1 else 0.0
    return float(betainc(cut, count + 1 - cut, 1 - content))


def count_needed(cut: int, content: float, confidence: float) -> int:
    """Return the smallest sample from which `cut` values may be cut: 59 for 1 and 93 for 2 at 95 % and 95 %."""
    high = cut
    while confidence_of(high, cut, content) < confidence:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if confidence_of(middle, cut, content) >= confidence else (middle, high)
    return high


def most_cut(count: int, content: float, confidence: float) -> int:
    """Return how many values may be cut off the ends of a sample; 0 where it is too small for one."""
    # confidence falls as more is cut
    low, high = 0, count + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if confidence_of(count, middle, content) >= confidence else (low, middle)
    return low


def cut_blocks(values: Array, cut: int) -> Array:
    """Cut a sample of lenses from the low end of each of several measures, and give the limits.

    The measures take turns: each time the lowest lens of the next measure, among those that are left, is cut off. What
    lies above all the limits then holds its share jointly, however the measures hang together (Tukey 1947).

    Parameters
    ----------
    values
        (lenses, sides), each oriented so that less is worse.
    cut
        Lenses to cut; at least one for each side.

    Returns
    -------
    (sides,): the value of the lens cut last on each side.
    """
    left = np.ones(len(values), dtype=bool)
    limits = np.full(values.shape[1], -np.inf)
    for turn in range(cut):
        side = turn % values.shape[1]
        lens = int(np.argmin(np.where(left, values[:, side], np.inf)))
        left[lens] = False
        limits[side] = values[lens, side]
    return limits
