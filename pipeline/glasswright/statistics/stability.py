"""Whether a series stayed what it was: a trend or a step, by ranks, so that no shape is assumed.

Step: Pettitt, Applied Statistics 28 (1979) 126-135. Trend: Spearman's rank correlation with the order (both from
memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from scipy.stats import rankdata, spearmanr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """That a series changed."""

    kind: Literal["trend", "step"]
    probability: float
    """Of so large a change by chance."""
    place: int
    """Of the first value after the step; for a trend, of where the halves differ most."""
    before: float
    """Median of the values before that place, and from there on."""
    after: float


def find_change(values: Array, level: float) -> Change | None:
    """Find a trend or a step in values in order; None where chance explains them at that level.

    Parameters
    ----------
    level
        Probability of finding a change in a series that has none.
    """
    count = len(values)
    if count < FEWEST or np.ptp(values) == 0:
        return None
    ranks = rankdata(values)
    sums = 2 * np.cumsum(ranks)[:-1] - np.arange(1, count) * (count + 1)
    place = int(np.argmax(np.abs(sums))) + 1
    step = min(1.0, 2 * math.exp(-6 * float(sums[place - 1]) ** 2 / (count**3 + count**2)))
    trend = float(spearmanr(np.arange(count), values).pvalue)
    probability = min(1.0, 2 * min(step, trend))  # two looks at the same values
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
