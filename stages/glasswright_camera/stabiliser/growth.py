"""How the movement's length grows with the exposure time, off and on, by maximum likelihood.

The logarithm of a shot's length lies about a straight line over the logarithm of its exposure time, one slope for off
and on, with normal scatter. Shots whose movement is below what can be seen, or that were lost to blur, enter with the
probability of lying below or above (a regression with limits; Tobin, "Estimation of relationships for limited
dependent variables", Econometrica 26, 1958).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_ndtr

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

EXACT: Final = 0
BELOW: Final = -1
ABOVE: Final = 1
LEAST_SCATTER: Final = 0.02
"""Of the logarithm: no shaker repeats itself better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lengths:
    """Shots off and on: arrays over (shots,)."""

    log_time: Array
    log_length: Array
    """Where `kind` is not EXACT, the limit it lies below or above."""
    kind: NDArray[np.int64]
    is_on: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """The fitted lines: level off and on, slope, logarithm of the scatter."""

    value: Array
    covariance: Array
    freedom: int

    def benefit(self) -> tuple[float, float]:
        """Return the factor of exposure time at equal length, as a natural logarithm, and its uncertainty."""
        off, on, slope, _ = self.value
        change = (off - on) / slope
        by = np.array([1 / slope, -1 / slope, -change / slope, 0.0])
        return float(change), float(np.sqrt(by @ self.covariance @ by))

    def time_at(self, log_length: float, *, on: bool) -> tuple[float, float]:
        """Return the logarithm of the exposure time at which half of the shots stay below a length."""
        level, slope = self.value[int(on)], self.value[2]
        reach = (log_length - level) / slope
        by = np.array([0.0 if on else -1 / slope, -1 / slope if on else 0.0, -reach / slope, 0.0])
        return float(reach), float(np.sqrt(by @ self.covariance @ by))


def fit_growth(lengths: Lengths) -> Growth:
    """Fit the two lines.

    Raises
    ------
    Unmeasurable
        Where the shots do not fix them: too few with a movement that was seen, or one exposure time only.
    """
    exact = lengths.kind == EXACT
    for is_on, name in ((False, "off"), (True, "on")):
        seen = exact & (lengths.is_on == is_on)
        if not seen.any():
            raise Unmeasurable(f"no shot with the stabiliser {name} shows a movement that could be measured")
    middle = lengths.log_time[exact].mean()
    start = _start(lengths, exact, middle)
    found = minimize(_cost, start, args=(lengths, middle), method="BFGS", options={"gtol": 1e-5})
    # maximum likelihood makes the scatter small by the parameters that it fits
    freedom = max(len(exact) - len(start) + 1, 1)
    covariance = np.linalg.pinv(_curvature(found.x, lengths, middle)) * len(exact) / freedom
    slope, slope_u = found.x[2], np.sqrt(max(covariance[2, 2], 0.0))
    if not np.isfinite(found.fun) or slope <= 3 * slope_u:
        raise Unmeasurable(
            f"the movement does not grow with the exposure time (power {slope:.2g} with an uncertainty of "
            f"{slope_u:.2g}): shoot more exposure times, further apart, or look after the shaker"
        )
    # levels at one second instead of at the middle of the times
    back = np.eye(4)
    back[:2, 2] = -middle
    value = back @ found.x
    return Growth(value=value, covariance=back @ covariance @ back.T, freedom=freedom)


def _start(lengths: Lengths, exact: NDArray[np.bool_], middle: float) -> Array:
    """Begin with the shots that were measured, by least squares; one exposure time only leaves the slope at 1."""
    time, length, on = lengths.log_time[exact] - middle, lengths.log_length[exact], lengths.is_on[exact]
    design = np.column_stack([~on, on, time]).astype(np.float64)
    fit = np.linalg.lstsq(design, length, rcond=None)[0]
    spread = max(float(np.std(length - design @ fit)), 0.1)
    slope = fit[2] if 0.2 < fit[2] < 3 else 1.0
    return np.array([*fit[:2], slope, np.log(spread)])


def _cost(parameters: Array, lengths: Lengths, middle: float) -> float:
    """Return minus the logarithm of the likelihood."""
    off, on, slope, log_scatter = parameters
    scatter = np.hypot(np.exp(min(log_scatter, 5.0)), LEAST_SCATTER)
    line = np.where(lengths.is_on, on, off) + slope * (lengths.log_time - middle)
    z = (lengths.log_length - line) / scatter
    likely = np.where(lengths.kind == EXACT, -0.5 * z**2 - np.log(scatter), log_ndtr(-z * lengths.kind))
    return -float(likely.sum())


def _curvature(at: Array, lengths: Lengths, middle: float, step: float = 1e-3) -> Array:
    """Return the second derivatives of the cost, by differences."""
    size = len(at)
    curvature = np.empty((size, size))
    unit = np.eye(size) * step
    for i in range(size):
        for j in range(size):
            corners = [_cost(at + a * unit[i] + b * unit[j], lengths, middle) for a in (1, -1) for b in (1, -1)]
            curvature[i, j] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * step**2)
    return curvature
