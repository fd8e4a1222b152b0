"""Growth of the movement's length with the exposure time, stabiliser off and on, by maximum likelihood.

In a short exposure a shaker moves steadily, and the length is proportional to the time. In an exposure as long as its
swing it turns back, and the length no longer grows. For a sine of frequency f the mean square of the length is
``6 A^2 (1 - sinc^2(f t))``, which ``(v t)^2 (1 - exp(-u)) / u`` with ``u = (t / tau)^2`` and
``tau = sqrt(3) / (pi f)`` follows within 4 % (closed form, compared in the tests). Both sides have the same tau, since
the stabiliser makes the swing smaller, not faster, and powers of the time near 1. Straight lines in logarithms would
read a shaker that turns back within the longer times with the stabiliser on 0.3 to 0.5 stops too high.

The logarithm of a shot's length has normal scatter about the curve. Shots whose movement is below the detection limit,
or lost to blur, enter with the probability of lying below or above (censored regression; Tobin, "Estimation of
relationships for limited dependent variables", Econometrica 26, 1958)."""

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
POWER: Final = (1.0, 0.3)
"""Prior mean and standard deviation of the power of the time: a movement is steady in a short enough exposure."""
POWERS_APART: Final = 0.3
"""Prior standard deviation of the difference of the powers off and on: stabilisers follow fast and slow movements
unequally."""
TURN: Final = (2.0, 2.0)
"""The same for the logarithm of tau over the longest exposure time, wide: shots usually end before the turn."""
TURNED_BACK: Final = 0.5
"""Exponent of a random movement; one that grows less has turned back."""
WIDEST_GAP: Final = 2.0
"""Largest ratio between the lengths measured off and on over which the curves may be extrapolated."""


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
    """The fitted curves: off and on, the logarithm of the length at `centre` as of a steady movement; off and on, the
    power of the time; logarithms of tau and of the scatter."""

    value: Array
    covariance: Array
    freedom: int
    centre: float
    """Mean of the logarithm of all exposure times."""
    middle: tuple[float, float]
    """The same of those off and on."""

    def benefit(self, log_length: float) -> tuple[float, float]:
        """Return the factor of exposure time at one length, as a natural logarithm, and its uncertainty.

        Raises
        ------
        Unmeasurable
            Where the curve of one side does not reach the length.
        """
        (off, by_off), (on, by_on) = (self._reach(log_length, on=on) for on in (False, True))
        if not np.isfinite(on - off):
            raise Unmeasurable(
                f"the shaker turns back before the movement reaches {np.exp(log_length):.0f} um: shoot times below "
                "half its period"
            )
        by = by_on - by_off
        return on - off, float(np.sqrt(by @ self.covariance @ by))

    def time_at(self, log_length: float, *, on: bool) -> tuple[float, float]:
        """Return the logarithm of the exposure time at which half of the shots stay below a length, and its
        uncertainty; infinite where the movement never gets so long."""
        reach, by = self._reach(log_length, on=on)
        return reach, float(np.sqrt(by @ self.covariance @ by))

    def slope(self, *, on: bool) -> tuple[float, float]:
        """Return the exponent of the exposure time in the middle of one side's times, and its uncertainty."""
        exponent, by = self._slope_at(self.middle[int(on)], on=on)
        return exponent, float(np.sqrt(by @ self.covariance @ by))

    def _slope_at(self, log_time: float, *, on: bool) -> tuple[float, Array]:
        """Return the exponent of one side at a time, and its derivatives by the parameters."""
        u = float(np.exp(2 * (log_time - self.value[4])))
        away = 1e-3
        by = np.zeros(6)
        by[2 + int(on)] = 1.0
        by[4] = (bend_of(u * np.exp(-away)) - bend_of(u * np.exp(away))) / away
        return float(self.value[2 + int(on)] + bend_of(u)), by

    def _reach(self, log_length: float, *, on: bool) -> tuple[float, Array]:
        """Return the logarithm of the time of a length, and its derivatives; infinite where it is not reached."""
        side, log_turn = int(on), self.value[4]
        power = float(self.value[2 + side])
        fine = log_turn + np.linspace(-14.0, 3.0, 3401)
        length = self.value[side] + power * (fine - self.centre) + turn_back(fine - log_turn)
        length = np.maximum.accumulate(length)
        by = np.zeros(6)
        if not length[0] < log_length < length[-1]:
            return float("inf"), by
        reach = float(np.interp(log_length, length, fine))
        slope, _ = self._slope_at(reach, on=on)
        by[side], by[2 + side], by[4] = -1 / slope, -(reach - self.centre) / slope, (slope - power) / slope
        return reach, by


def turn_back(log_ratio: Array) -> Array:
    """Return the logarithm of the part of a steady movement that is left, of the logarithm of time over tau."""
    u = np.exp(2 * np.minimum(log_ratio, 20.0))
    return np.asarray((np.log(-np.expm1(-u)) - np.log(u)) / 2)


def bend_of(u: float) -> float:
    """Return what turning back takes off the exponent; `u` is the square of time over tau."""
    return float(u / np.expm1(u) - 1) if 1e-9 < u < 500 else (0.0 if u < 1 else -1.0)


def fit_growth(lengths: Lengths) -> Growth:
    """Fit both curves.

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
    centre, longest = float(lengths.log_time.mean()), float(lengths.log_time.max())
    # from a shaker that turns back after the shots, and from one that does within them
    starts = (_start(lengths, exact, centre, longest + away) for away in (TURN[0], 0.0))
    found = min(
        (minimize(_cost, start, args=(lengths, centre), method="BFGS", options={"gtol": 1e-5}) for start in starts),
        key=lambda each: float(each.fun),
    )
    # maximum likelihood underestimates the scatter by the number of fitted parameters; tau is mostly its prior
    freedom = max(len(exact) - len(found.x) + 2, 1)
    covariance = np.linalg.pinv(_curvature(found.x, lengths, centre)) * len(exact) / freedom
    middle = tuple(float(lengths.log_time[lengths.is_on == side].mean()) for side in (False, True))
    growth = Growth(value=found.x, covariance=covariance, freedom=freedom, centre=centre, middle=(middle[0], middle[1]))
    _refuse_standstill(growth, np.isfinite(found.fun))
    return growth


def _refuse_standstill(growth: Growth, is_found: bool) -> None:
    """Raise Unmeasurable for a movement that does not grow with the exposure time, or no longer does."""
    slopes = [growth.slope(on=on) for on in (False, True)]
    mean, mean_u = (float(np.mean(each)) for each in zip(*slopes, strict=True))
    if not is_found or mean <= 3 * mean_u:
        raise Unmeasurable(
            f"the movement does not grow with the exposure time (power {mean:.2g} with an uncertainty of "
            f"{mean_u:.2g}): shoot more exposure times, further apart, or check the shaker"
        )
    for (slope, slope_u), name in zip(slopes, ("off", "on"), strict=True):
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


def _start(lengths: Lengths, exact: NDArray[np.bool_], centre: float, log_turn: float) -> Array:
    """Return initial parameters: the mean length of the measured shots of each side, as of a steady movement."""
    level = lengths.log_length - (lengths.log_time - centre) - turn_back(lengths.log_time - log_turn)
    off, on = (float(level[exact & (lengths.is_on == side)].mean()) for side in (False, True))
    rest = level[exact] - np.where(lengths.is_on[exact], on, off)
    return np.array([off, on, POWER[0], POWER[0], log_turn, np.log(max(float(np.std(rest)), 0.1))])


def _cost(parameters: Array, lengths: Lengths, centre: float) -> float:
    """Return minus the logarithm of the likelihood, with the priors."""
    off, on, power_off, power_on, log_turn, log_scatter = parameters
    scatter = np.hypot(np.exp(min(log_scatter, 5.0)), LEAST_SCATTER)
    level, power = np.where(lengths.is_on, on, off), np.where(lengths.is_on, power_on, power_off)
    expected = level + power * (lengths.log_time - centre) + turn_back(lengths.log_time - log_turn)
    z = (lengths.log_length - expected) / scatter
    likely = np.where(lengths.kind == EXACT, -0.5 * z**2 - np.log(scatter), log_ndtr(-z * lengths.kind))
    priors = (((power_off + power_on) / 2 - POWER[0]) / POWER[1]) ** 2 + ((power_on - power_off) / POWERS_APART) ** 2
    priors += ((log_turn - lengths.log_time.max() - TURN[0]) / TURN[1]) ** 2
    return 0.5 * float(priors) - float(likely.sum())


def _curvature(at: Array, lengths: Lengths, centre: float, step: float = 1e-3) -> Array:
    """Return the second derivatives of the cost, by differences."""
    size = len(at)
    curvature = np.empty((size, size))
    unit = np.eye(size) * step
    for i in range(size):
        for j in range(size):
            corners = [_cost(at + a * unit[i] + b * unit[j], lengths, centre) for a in (1, -1) for b in (1, -1)]
            curvature[i, j] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * step**2)
    return curvature
