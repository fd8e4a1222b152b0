"""Factors of normal tolerance intervals: how many standard deviations from the mean hold a share of a population."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, nct, ncx2

if TYPE_CHECKING:
    from collections.abc import Callable

NODES: Final = 64
"""Of the Gauss-Hermite rule over the place of the sample's mean; the factor then stands to ten digits."""
LARGEST: Final = 1e6


def one_sided_factor(count: float, content: float, confidence: float, freedom: float | None = None) -> float:
    """Give k so that `mean - k * s` lies below a share of a normal population, with a confidence.

    Exact, from the noncentral t distribution (ISO 16269-6:2014; NIST/SEMATECH e-Handbook 7.2.6.3).

    Parameters
    ----------
    count
        Values behind the mean. May be broken where the mean is better or worse known than from so many.
    content
        Share of the population that is to lie above.
    confidence
        Probability, over samples, that it does.
    freedom
        Degrees of freedom of s; `count - 1` if None.
    """
    freedom = count - 1 if freedom is None else freedom
    shift = NormalDist().inv_cdf(content) * math.sqrt(count)
    return float(nct.ppf(confidence, freedom, shift)) / math.sqrt(count)


def two_sided_factor(count: int, content: float, confidence: float) -> float:
    """Give k so that `mean - k * s` to `mean + k * s` holds a share of a normal population, with a confidence.

    Exact, by integrating over the place of the sample's mean (ISO 16269-6:2014, annex on the computation of the
    factor), not by an approximation.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    weights = weights / weights.sum()
    # half width that holds the share when the mean is off by so much: a noncentral chi-squared quantile
    half_squared = ncx2.ppf(content, 1, nodes**2 / count)
    freedom = count - 1

    def lacking(k: float) -> float:
        return float(weights @ chi2.sf(freedom * half_squared / k**2, freedom)) - confidence

    return _root(lacking, 1e-3, LARGEST)


def share_interval(factor: float, count: int, confidence: float) -> tuple[float, float]:
    """Give the interval of the share of a normal population below `mean - factor * s`, limit fixed.

    Exact: the shares for which `factor * sqrt(count)` is neither too high nor too low a noncentral t (Owen, Journal of
    the American Statistical Association 1968, 63:445-478).
    """
    if not math.isfinite(factor):
        return (0.0, 1.0)
    tail, root = (1 - confidence) / 2, math.sqrt(count)
    seen = factor * root
    # standard deviation of a noncentral t of that size: the shift lies a few of it away
    step = math.sqrt(1 + seen**2 / (2 * (count - 1)))

    def shift_at(probability: float) -> float:
        def excess(shift: float) -> float:
            return float(nct.cdf(seen, count - 1, shift)) - probability

        # the distribution function falls as the shift grows
        low, high = seen, seen
        while excess(low) < 0:
            low -= step
        while excess(high) > 0:
            high += step
        return low if low == high else _root(excess, low, high)

    low_share = NormalDist().cdf(-shift_at(tail) / root)
    high_share = NormalDist().cdf(-shift_at(1 - tail) / root)
    return (low_share, high_share)


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, xtol=1e-12, rtol=1e-13))
