"""Detection of a trend or a step in a series, by ranks (distribution-free).

Step: Pettitt, Applied Statistics 28 (1979) 126-135. Trend: Spearman's rank correlation with the order (both from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A change in a series."""

    kind: Literal["trend", "step"]
    probability: float
    """Probability of so large a change by chance."""
    place: int
    """Index of the first value after the step; for a trend, of the split with the largest difference."""
    before: float
    """Median of the values before `place`; `after` is that of the rest."""
    after: float


def find_change(values: Array, level: float) -> Change | None:
    """Return a significant trend or step in values in order of time; None if there is none.

    Parameters
    ----------
    level
        Significance level: probability of finding a change in a series without one.
    """
    count = len(values)
    if count < FEWEST or np.ptp(values) == 0:
        return None
    from scipy.stats import rankdata, spearmanr

    ranks = rankdata(values)
    sums = 2 * np.cumsum(ranks)[:-1] - np.arange(1, count) * (count + 1)
    place = int(np.argmax(np.abs(sums))) + 1
    step = min(1.0, 2 * math.exp(-6 * float(sums[place - 1]) ** 2 / (count**3 + count**2)))
    trend = float(spearmanr(np.arange(count), values).pvalue)
    probability = min(1.0, 2 * min(step, trend))  # two tests on the same values (Bonferroni)
    if probability >= level:
        return None
    ramp, jump = np.arange(count), np.arange(count) >= place
    steeper = abs(float(np.corrcoef(ranks, jump)[0, 1])) > abs(float(np.corrcoef(ranks, ramp)[0, 1]))
    return Change(
        kind="step" if steeper else "trend",
        probability=probability,
        place=place,
        before=float(np.median(values[:place])),
        after=float(np.median(values[place:])),
    )
