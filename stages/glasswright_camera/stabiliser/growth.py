"""Growth of the movement's length with the exposure time, stabiliser off and on, by maximum likelihood.

The logarithm of a shot's length is a linear function of the logarithm of its exposure time, with normal scatter. Off
and on have different slopes, since the longer times with the stabiliser on cover another part of the shaker's swing.
Shots whose movement is below the detection limit, or lost to blur, enter with the probability of lying below or above
(censored regression; Tobin, "Estimation of relationships for limited dependent variables", Econometrica 26, 1958)."""

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
"""Least scatter of the logarithm: no shaker repeats better."""
SLOPES_APART: Final = 0.3
"""Prior standard deviation of the difference of the exponents off and on: in the longer times with the stabiliser on a
shaker is nearer to the end of its swing."""
TURNED_BACK: Final = 0.5
"""Exponent of a random movement; one that grows less has turned back."""
WIDEST_GAP: Final = 2.0
"""Largest ratio between the lengths measured off and on over which the lines may be extrapolated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lengths:
    """Shots off and on: arrays over (shots,)."""

    log_time: Array
    log_length: Array
    """Measured length, or the limit below or above which it lies where `kind` is not EXACT."""
    kind: NDArray[np.int64]
    is_on: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """The fitted lines: level off and on, slope off and on, logarithm of the scatter."""

    value: Array
    covariance: Array
    freedom: int

    def benefit(self, log_length: float) -> tuple[float, float]:
        """Return the factor of exposure time at one length, as a natural logarithm, and its uncertainty."""
        (off, by_off), (on, by_on) = (self._reach(log_length, on=on) for on in (False, True))
        by = by_on - by_off
        return on - off, float(np.sqrt(by @ self.covariance @ by))

    def time_at(self, log_length: float, *, on: bool) -> tuple[float, float]:
        """Return the logarithm of the exposure time at which half of the shots stay below a length."""
        reach, by = self._reach(log_length, on=on)
        return reach, float(np.sqrt(by @ self.covariance @ by))

    def slope(self, *, on: bool) -> tuple[float, float]:
        """Return the exponent of the exposure time of one side, and its uncertainty."""
        index = 2 + int(on)
        return float(self.value[index]), float(np.sqrt(self.covariance[index, index]))

    def _reach(self, log_length: float, *, on: bool) -> tuple[float, Array]:
        side = int(on)
        slope = self.value[2 + side]
        reach = (log_length - self.value[side]) / slope
        by = np.zeros(5)
        by[side], by[2 + side] = -1 / slope, -reach / slope
        return float(reach), by


def fit_growth(lengths: Lengths) -> Growth:
    """Fit the two lines.

    Raises
    ------
    Unmeasurable
        Where the shots do not determine them: too few with a measured movement, only one exposure time, or a movement
        that does not grow.
    """
    exact = lengths.kind == EXACT
    for is_on, name in ((False, "off"), (True, "on")):
        seen = exact & (lengths.is_on == is_on)
        if not seen.any():
            raise Unmeasurable(f"no shot with the stabiliser {name} shows a movement that could be measured")
    middle = lengths.log_time[exact].mean()
    start = _start(lengths, exact, middle)
    found = minimize(_cost, start, args=(lengths, middle), method="BFGS", options={"gtol": 1e-5})
    # maximum likelihood underestimates the scatter by the number of fitted parameters
    freedom = max(len(exact) - len(start) + 1, 1)
    covariance = np.linalg.pinv(_curvature(found.x, lengths, middle)) * len(exact) / freedom
    # levels at one second instead of at the middle of the times
    back = np.eye(5)
    back[0, 2] = back[1, 3] = -middle
    growth = Growth(value=back @ found.x, covariance=back @ covariance @ back.T, freedom=freedom)
    _refuse_standstill(growth, np.isfinite(found.fun))
    return growth


def _refuse_standstill(growth: Growth, is_found: bool) -> None:
    """Raise Unmeasurable for a movement that does not grow with the exposure time, or no longer does."""
    both = np.array([0.0, 0.0, 0.5, 0.5, 0.0])
    mean, mean_u = float(both @ growth.value), float(np.sqrt(max(both @ growth.covariance @ both, 0.0)))
    if not is_found or mean <= 3 * mean_u:
        raise Unmeasurable(
            f"the movement does not grow with the exposure time (power {mean:.2g} with an uncertainty of "
            f"{mean_u:.2g}): shoot more exposure times, further apart, or check the shaker"
        )
    for on, name in ((False, "off"), (True, "on")):
        slope, slope_u = growth.slope(on=on)
        if slope + 2 * slope_u < TURNED_BACK:
            raise Unmeasurable(
                f"with the stabiliser {name} the movement grows only with the power {slope:.2g} of the exposure time "
                f"(less than {TURNED_BACK:g}): the shaker turns back within it; shoot times below half its period"
            )


def choose_length(lengths: Lengths) -> tuple[float, bool]:
    """Return the logarithm of the length at which off and on are compared, and whether both sides measured it.

    It is the middle of the range measured on both sides, or of the gap between them where that is less than twofold.

    Raises
    ------
    Unmeasurable
        Where the gap is wider.
    """
    exact = lengths.kind == EXACT
    off, on = (lengths.log_length[exact & (lengths.is_on == side)] for side in (False, True))
    low, high = max(off.min(), on.min()), min(off.max(), on.max())
    if low - high > np.log(WIDEST_GAP):
        ranges = " and ".join(
            f"{np.exp(side.min()):.0f} to {np.exp(side.max()):.0f} um {name}"
            for side, name in ((off, "off"), (on, "on"))
        )
        raise Unmeasurable(
            f"the movements measured with the stabiliser off and on have no length in common ({ranges}): shoot longer "
            "times where they are short, or shorter ones where they are long"
        )
    return float(low + high) / 2, bool(low <= high)


def _start(lengths: Lengths, exact: NDArray[np.bool_], middle: float) -> Array:
    """Return initial parameters from the measured shots, by least squares; the slope is 1 if not determined."""
    time, length, on = lengths.log_time[exact] - middle, lengths.log_length[exact], lengths.is_on[exact]
    design = np.column_stack([~on, on, time]).astype(np.float64)
    fit = np.linalg.lstsq(design, length, rcond=None)[0]
    spread = max(float(np.std(length - design @ fit)), 0.1)
    slope = fit[2] if 0.2 < fit[2] < 3 else 1.0
    return np.array([*fit[:2], slope, slope, np.log(spread)])


def _cost(parameters: Array, lengths: Lengths, middle: float) -> float:
    """Return minus the logarithm of the likelihood."""
    off, on, slope_off, slope_on, log_scatter = parameters
    scatter = np.hypot(np.exp(min(log_scatter, 5.0)), LEAST_SCATTER)
    level, slope = np.where(lengths.is_on, on, off), np.where(lengths.is_on, slope_on, slope_off)
    z = (lengths.log_length - level - slope * (lengths.log_time - middle)) / scatter
    likely = np.where(lengths.kind == EXACT, -0.5 * z**2 - np.log(scatter), log_ndtr(-z * lengths.kind))
    return -float(likely.sum()) + 0.5 * float((slope_on - slope_off) / SLOPES_APART) ** 2


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
