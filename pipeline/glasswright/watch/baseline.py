"""Centre and scatter of a chart of individuals, from the nights of a stated period.

The scatter is told from the steps from one night to the next, so that a slow change during the period does not widen
the limits: mean moving range over 1.128, the mean range of two normal numbers in standard deviations (ISO 7870-2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

RANGE_OF_TWO: Final = 2 / math.sqrt(math.pi)
FEWEST_NIGHTS: Final = 8
"""With fewer, the limits themselves are a guess: sigma is good to a third only."""
GOOD_NIGHTS: Final = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Where a watched number lies and how it scatters while all is well."""

    centre: float
    sigma: float
    count: int
    """Nights behind it."""


def find_baseline(values: Sequence[float], smallest_sigma: float | None = None) -> Baseline | str:
    """Give the baseline of values in order of time, or say why there is none.

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
