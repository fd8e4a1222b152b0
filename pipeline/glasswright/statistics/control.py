"""Control limits with a specified rate of false alarms on a stable stand.

Each chart has two tests: every point, for jumps, and an exponentially weighted moving average, for shifts and drifts.
Centre and standard deviation are estimated from few nights, so both limits are prediction limits: with n nights and the
average's variance factor a, (average - centre) / (s sqrt(a + 1/n)) follows Student's t with n - 1 degrees of freedom.
Adjusted limits: Jones, Champ and Rigdon, Technometrics 43 (2001) 156-167, for the average; Diko, Goedhart and Does,
Quality Engineering 32 (2020), for a comparison of charts (from memory).

First-order autocorrelation r of the nights widens both limits: the variance of a mean of n is (1 + r) / (1 - r) times
that of independent nights, and the average's (1 + q r) / (1 - q r) times, where q = 1 - weight; s is biased low and has
fewer degrees of freedom. Few nights cannot determine r (0.04 +- 0.29 from 8 nights for a true 0.3), so it is declared,
or taken as 0.3.

Rates of false alarms and delays of detection: `ci/bench decisions --only stand`.
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
"""Fewest nights of a baseline."""
ENOUGH_NIGHTS: Final = 25
"""Number of nights from which the autocorrelation is estimated."""
BOUND: Final = 0.3
"""Autocorrelation assumed if it is neither declared nor estimated."""
LARGEST: Final = 0.7
POINT_SHARE: Final = 0.2
"""Fraction of a chart's false alarms that single points may cause; the average may cause the rest."""
OVERLAP: Final = 1.1
"""Factor on the rates of the two tests: about a tenth of their false alarms coincide."""
PRIOR_MEAN: Final = 0.15
PRIOR_SIGMA: Final = 0.15
"""Normal prior of the autocorrelation that the charts of a stand share: 0 and 0.3 lie one sigma from its mean."""
CAUTION: Final = 0.5
"""Standard deviations of the posterior that are added to its mean: too small a value costs more false alarms than too
large a one saves. With 0 stands of 0.3 call out 1.7 times as often as promised at 25 nights, with 0.5 1.2 times."""
OWN_SIGMAS: Final = 2.0
"""Standard errors by which a chart's own autocorrelation must exceed the shared one to be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """Centre and standard deviation of a watched number on a stable stand."""

    centre: float
    sigma: float
    count: int
    """Number of nights."""
    autocorrelation: float
    """Assumed autocorrelation."""

    @property
    def freedom(self) -> float:
        """Degrees of freedom of sigma."""
        square = self.autocorrelation**2
        return (self.count - 1) * (1 - square) / (1 + square)

    def point_limit(self, rate: float) -> float:
        """Return the largest distance of one night from the centre, for a rate of false alarms."""
        return self._limit(POINT_SHARE * OVERLAP * rate, 1.0)

    def average_limit(self, rate: float, weight: float) -> float:
        """Return the largest distance of the average from the centre, for a rate of false alarms.

        Parameters
        ----------
        weight
            Weight of the newest night.
        """
        kept = (1 - weight) * self.autocorrelation
        return self._limit((1 - POINT_SHARE) * OVERLAP * rate, weight / (2 - weight) * (1 + kept) / (1 - kept))

    def _limit(self, rate: float, variance: float) -> float:
        of_centre = inflate(self.autocorrelation) / self.count
        tail = -float(stdtrit(self.freedom, rate / 2))
        return tail * self.sigma * math.sqrt(variance + of_centre)


def inflate(autocorrelation: float) -> float:
    """Return the variance of a mean of many autocorrelated numbers, relative to independent ones."""
    return (1 + autocorrelation) / (1 - autocorrelation)


def rate_of_chart(nights: float, charts: int) -> float:
    """Return the false-alarm rate per night of each of several charts, for one false alarm in `nights` nights
    overall."""
    return -math.expm1(math.log1p(-1 / nights) / charts)


def find_baseline(
    values: Sequence[float], autocorrelation: float = 0.0, smallest_sigma: float | None = None
) -> Baseline | str:
    """Return the baseline of values in order of time, or a message why there is none.

    Parameters
    ----------
    autocorrelation
        Assumed autocorrelation.
    smallest_sigma
        Least standard deviation.
    """
    count = len(values)
    if count < FEWEST_NIGHTS:
        nights = "night" if count == 1 else "nights"
        return f"the baseline has {count} {nights} with a value; at least {FEWEST_NIGHTS} are needed"
    # autocorrelated values scatter less about their own mean
    shrunk = max(0.2, 1 - (inflate(autocorrelation) - 1) / (count - 1))
    sigma = max(float(np.std(values, ddof=1)) / math.sqrt(shrunk), smallest_sigma or 0.0)
    if np.ptp(values) == 0 and not smallest_sigma:
        return "the value is the same on every night of the baseline: give the field a `smallest_sigma`"
    return Baseline(centre=float(np.mean(values)), sigma=sigma, count=count, autocorrelation=autocorrelation)


def find_autocorrelations(series: Sequence[Sequence[float]], declared: float | None) -> tuple[float, ...]:
    """Return the autocorrelation to assume for each of a stand's charts.

    With enough nights it is estimated: the value that all charts share from a normal prior and the mean of their
    estimates, and a chart's own if it exceeds the shared one significantly.

    Parameters
    ----------
    series
        Baseline values of each chart, in order of time.
    declared
        Autocorrelation from the stand file; None if not declared.
    """
    if declared is not None:
        return (declared,) * len(series)
    long = [place for place, values in enumerate(series) if len(values) >= ENOUGH_NIGHTS and np.ptp(values) > 0]
    own = {place: _estimate(np.asarray(series[place], dtype=np.float64)) for place in long}
    errors = {place: 1 / math.sqrt(len(series[place])) for place in long}
    information = sum(1 / each**2 for each in errors.values())
    variance = 1 / (1 / PRIOR_SIGMA**2 + information)
    seen = sum(own[place] / errors[place] ** 2 for place in long)
    common = variance * (PRIOR_MEAN / PRIOR_SIGMA**2 + seen) + CAUTION * math.sqrt(variance)
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
    """Return the first-order autocorrelation, corrected for its bias of -(1 + 4 r) / n (Kendall 1954)."""
    away = values - values.mean()
    seen = float((away[1:] * away[:-1]).sum() / (away**2).sum())
    return seen + (1 + 4 * seen) / len(values)
