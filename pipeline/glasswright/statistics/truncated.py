"""A normal population of which only what passed was kept: its mean, spread and limit, the missing tail put back."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import brentq, minimize, minimize_scalar
from scipy.special import log_ndtr, ndtr, ndtri
from scipy.stats import t

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LARGEST_CUT: Final = 0.5
"""Share cut off beyond which a fit is not believed: what is left says too little of the middle."""
SIGMAS: Final = (1e-2, 1e2)
"""Where a spread is looked for, in units of that of the values kept."""
FARTHEST: Final = 60.0
"""Where a limit is looked for, in the same units below the fitted one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TruncatedFit:
    """A normal population, fitted to values none of which lies below where it was cut off."""

    mean: float
    sigma: float
    cut: float
    """Share of the population that lay below and was not kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Likelihood:
    """How well a normal population explains values that were kept only because they reached a cut."""

    values: Array
    cuts: Array

    def lack(self, mean: float, sigma: float) -> float:
        """Give minus the log likelihood, but for a constant."""
        spread = ((self.values - mean) / sigma) ** 2 / 2 + math.log(sigma)
        return float((spread + log_ndtr((mean - self.cuts) / sigma)).sum())

    def lack_at(self, parameters: Array) -> float:
        """Give the lack of a mean and the logarithm of a spread."""
        return self.lack(float(parameters[0]), math.exp(float(parameters[1])))

    def lack_at_limit(self, limit: float, z: float) -> float:
        """Give the least lack of all populations whose quantile at minus z is that limit."""
        low, high = (math.log(each) for each in SIGMAS)
        found = minimize_scalar(
            lambda log_sigma: self.lack(limit + z * math.exp(log_sigma), math.exp(log_sigma)),
            bounds=(low, high),
            method="bounded",
            options={"xatol": 1e-8},
        )
        return float(found.fun)


def fit_truncated(values: Array, cuts: Array) -> TruncatedFit | None:
    """Fit a normal population to values that were kept only because they lay at or above a cut.

    Maximum likelihood (Cohen, Annals of Mathematical Statistics 1950, 21:557-569), each value with its own cut.

    Parameters
    ----------
    values
        What was kept.
    cuts
        For each value, what it had to reach.

    Returns
    -------
    None where the fit does not settle, or would have more than half of the population cut off: the values then pile up
    at the cut, and do not tell how many are missing.
    """
    middle, scale, likelihood = _scale(values, cuts)
    if scale == 0:
        return None
    found = minimize(likelihood.lack_at, (0.0, 0.0), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    mean, sigma = float(found.x[0]), math.exp(float(found.x[1]))
    cut = float(np.mean(ndtr((likelihood.cuts - mean) / sigma)))
    if not found.success or cut > LARGEST_CUT:
        return None
    return TruncatedFit(mean=middle + scale * mean, sigma=scale * sigma, cut=cut)


def untruncated_scores(values: Array, cuts: Array, fit: TruncatedFit) -> Array:
    """Give the normal scores that the values have if the fit is right; where they are not normal it is not."""
    below, missing = ndtr((values - fit.mean) / fit.sigma), ndtr((cuts - fit.mean) / fit.sigma)
    return np.asarray(ndtri(np.clip((below - missing) / (1 - missing), 1e-9, 1 - 1e-9)))


def truncated_limit(values: Array, cuts: Array, content: float, confidence: float) -> float | None:
    """Give what a share of the population lies above, with a confidence; None where the values do not tell.

    The profile likelihood of the quantile, its threshold widened as Student's t widens the normal quantile for so few
    values: exact for the mean of what is not truncated, approximate here.
    """
    fit = fit_truncated(values, cuts)
    if fit is None:
        return None
    middle, scale, likelihood = _scale(values, cuts)
    z, count = NormalDist().inv_cdf(content), len(values)
    best = likelihood.lack((fit.mean - middle) / scale, fit.sigma / scale)
    quantile = (fit.mean - middle - z * fit.sigma) / scale
    threshold = count / 2 * math.log1p(float(t.ppf(confidence, count - 1)) ** 2 / (count - 1))

    def excess(limit: float) -> float:
        return likelihood.lack_at_limit(limit, z) - best - threshold

    if excess(quantile - FARTHEST) < 0:
        return None
    return middle + scale * float(brentq(excess, quantile - FARTHEST, quantile, xtol=1e-6))


def _scale(values: Array, cuts: Array) -> tuple[float, float, Likelihood]:
    """Bring values to mean 0 and spread 1, so that one set of bounds serves all units."""
    middle, scale = float(values.mean()), float(values.std(ddof=1))
    if scale == 0:
        return middle, 0.0, Likelihood(values=values, cuts=cuts)
    return middle, scale, Likelihood(values=(values - middle) / scale, cuts=(cuts - middle) / scale)
