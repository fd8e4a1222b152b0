"""Limits of control charts that keep a promise: how often a stand that is as it was is called out of control.

Two things of each chart are looked at: every point, for what jumps, and an exponentially weighted moving average, for
what shifts or drifts. Centre and scatter come from few nights, so both limits are those of a prediction from them:
with a the average's variance factor and n nights, average less centre over s sqrt(a + 1/n) is Student's t with n - 1
degrees of freedom, whatever n is. Adjusted limits: Jones, Champ and Rigdon, Technometrics 43 (2001) 156-167, for the
average; Diko, Goedhart and Does, Quality Engineering 32 (2020), for a comparison of charts (from memory).

Nights that resemble the ones before them (first-order autocorrelation r) make both wider: the variance of a mean of n
is (1 + r) / (1 - r) times that of independent ones, the average's (1 + q r) / (1 - q r) times, with q what it keeps of
itself from one night to the next; s is too small, and worth fewer degrees of freedom. From few nights r cannot be
told (0.04 +- 0.29 from 8 where 0.3 is true), so it is declared, or taken to be 0.3.

How often such charts call out, and how soon they see a step: `ci/bench decisions --only stand`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import stdtrit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST_NIGHTS: Final = 8
"""With fewer, the limits themselves are a guess."""
ENOUGH_NIGHTS: Final = 25
"""From here on the autocorrelation is estimated."""
BOUND: Final = 0.3
"""Autocorrelation that is allowed for where it is neither declared nor estimated."""
LARGEST: Final = 0.7
POINT_SHARE: Final = 0.2
"""Of a chart's false alarms, what may come from single points; the rest may come from the average."""
OVERLAP: Final = 1.1
"""So many times their promise the two may take together, as a tenth of their false alarms falls on the same nights."""
POOLED_SIGMAS: Final = 1.64
"""Standard errors from which on the autocorrelation of all charts together is believed."""
OWN_SIGMAS: Final = 1.64
"""And from which on one chart's own, beyond that."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Where a watched number lies and how it scatters while all is well."""

    centre: float
    sigma: float
    count: int
    """Nights behind it."""
    autocorrelation: float
    """That is allowed for."""

    @property
    def freedom(self) -> float:
        """Degrees of freedom of sigma."""
        square = self.autocorrelation**2
        return (self.count - 1) * (1 - square) / (1 + square)

    def point_limit(self, rate: float) -> float:
        """Return how far from the centre one night may lie that is beyond it as often as a rate says."""
        return self._limit(POINT_SHARE * OVERLAP * rate, 1.0)

    def average_limit(self, rate: float, weight: float) -> float:
        """Return how far the average may lie.

        Parameters
        ----------
        weight
            Of the newest night in it.
        """
        kept = (1 - weight) * self.autocorrelation
        return self._limit((1 - POINT_SHARE) * OVERLAP * rate, weight / (2 - weight) * (1 + kept) / (1 - kept))

    def _limit(self, rate: float, variance: float) -> float:
        of_centre = inflate(self.autocorrelation) / self.count
        tail = -float(stdtrit(self.freedom, rate / 2))
        return tail * self.sigma * math.sqrt(variance + of_centre)


def inflate(autocorrelation: float) -> float:
    """Return how many times larger the variance of a long mean is than that of independent numbers."""
    return (1 + autocorrelation) / (1 - autocorrelation)


def rate_of_chart(nights: float, charts: int) -> float:
    """Return how often one of several charts may call out for all of them to do so once in so many nights."""
    return -math.expm1(math.log1p(-1 / nights) / charts)


def find_baseline(
    values: Sequence[float], autocorrelation: float = 0.0, smallest_sigma: float | None = None
) -> Baseline | str:
    """Return the baseline of values in order of time, or say why there is none.

    Parameters
    ----------
    autocorrelation
        That is allowed for.
    smallest_sigma
        The scatter is taken to be at least this.
    """
    count = len(values)
    if count < FEWEST_NIGHTS:
        nights = "night" if count == 1 else "nights"
        return f"the baseline has {count} {nights} with a value, and needs {FEWEST_NIGHTS} at least"
    # what resembles its neighbours scatters less about its own mean
    shrunk = max(0.2, 1 - (inflate(autocorrelation) - 1) / (count - 1))
    sigma = max(float(np.std(values, ddof=1)) / math.sqrt(shrunk), smallest_sigma or 0.0)
    if np.ptp(values) == 0 and not smallest_sigma:
        return "the value is the same on every night of the baseline: give the field a `smallest_sigma`"
    return Baseline(centre=float(np.mean(values)), sigma=sigma, count=count, autocorrelation=autocorrelation)


def find_autocorrelations(series: Sequence[Sequence[float]], declared: float | None) -> tuple[float, ...]:
    """Return the autocorrelation to allow for in each of a stand's charts.

    From enough nights it is estimated: that of all charts together, which is known best, where it is more than chance,
    and a chart's own where that is more still.

    Parameters
    ----------
    series
        The baseline's values of each chart, in order of time.
    declared
        By the stand file; None where it says nothing.
    """
    if declared is not None:
        return (declared,) * len(series)
    long = [place for place, values in enumerate(series) if len(values) >= ENOUGH_NIGHTS and np.ptp(values) > 0]
    own = {place: _estimate(np.asarray(series[place], dtype=np.float64)) for place in long}
    errors = {place: 1 / math.sqrt(len(series[place])) for place in long}
    together = float(np.mean([own[place] for place in long])) if long else 0.0
    error = math.sqrt(sum(each**2 for each in errors.values())) / max(1, len(long))
    common = together if together > POOLED_SIGMAS * error else 0.0
    found = []
    for place in range(len(series)):
        if place not in own:
            found.append(BOUND)
        elif own[place] - common > OWN_SIGMAS * errors[place]:
            found.append(min(own[place], LARGEST))
        else:
            found.append(min(max(common, 0.0), LARGEST))
    return tuple(found)


def _estimate(values: Array) -> float:
    """Return the first-order autocorrelation, freed of most of its bias, which is -(1 + 4 r) / n (Kendall 1954)."""
    away = values - values.mean()
    seen = float((away[1:] * away[:-1]).sum() / (away**2).sum())
    return seen + (1 + 4 * seen) / len(values)
