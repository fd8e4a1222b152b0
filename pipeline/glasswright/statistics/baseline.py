"""Centre and scatter of a chart of individuals, from the nights of a stated period.

The scatter is told from the steps from one night to the next, so that a slow change during the period does not widen
the limits: mean moving range over 1.128, the mean range of two normal numbers in standard deviations (ISO 7870-2).

From few nights neither is known well, and limits at three of those sigmas raise false alarms: from 25 nights three
times as many as they should (0.9 % of nights instead of 0.27 %). So the limits are those of a prediction interval for
one more night at the same probability: Student's t with 0.62 (n - 1) degrees of freedom, which is what the moving range
of n normal numbers is worth, and one nth for the centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtr, stdtrit

if TYPE_CHECKING:
    from collections.abc import Sequence

RANGE_OF_TWO: Final = 2 / math.sqrt(math.pi)
FEWEST_NIGHTS: Final = 8
"""With fewer, the limits themselves are a guess: sigma is good to a third only."""
GOOD_NIGHTS: Final = 20
LIMIT_SIGMAS: Final = 3.0
WORTH_OF_RANGES: Final = 0.62
"""Degrees of freedom of a mean moving range for each of its ranges."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Where a watched number lies and how it scatters while all is well."""

    centre: float
    sigma: float
    count: int
    """Nights behind it."""

    @property
    def wide_sigma(self) -> float:
        """One sigma as the chart counts it: widened for how few nights it is known from."""
        return self.sigma * find_allowance(self.count)


def find_baseline(values: Sequence[float], smallest_sigma: float | None = None) -> Baseline | str:
    """Return the baseline of values in order of time, or say why there is none.

    Parameters
    ----------
    smallest_sigma
        The scatter is taken to be at least this.
    """
    if len(values) < FEWEST_NIGHTS:
        nights = "night" if len(values) == 1 else "nights"
        return f"the baseline has {len(values)} {nights} with a value, and needs {FEWEST_NIGHTS} at least"
    sigma = max(float(np.abs(np.diff(values)).mean()) / RANGE_OF_TWO, smallest_sigma or 0.0)
    if sigma <= 0:
        return "the value is the same on every night of the baseline: give the field a `smallest_sigma`"
    return Baseline(centre=float(np.mean(values)), sigma=sigma, count=len(values))


@lru_cache(maxsize=256)
def find_allowance(count: int) -> float:
    """Return how much wider limits must be that come from so many nights, for as few false alarms as from many."""
    tail = float(stdtrit(float(WORTH_OF_RANGES * (count - 1)), float(ndtr(LIMIT_SIGMAS))))
    return tail / LIMIT_SIGMAS * math.sqrt(1 + 1 / count)
