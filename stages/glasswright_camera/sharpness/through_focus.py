"""MTF50 through focus: the curve of a defocused round pupil, fitted to the steps of a series.

Near focus 1/MTF50^2 is a parabola in defocus, far from it a steeper one; the transition depends on the share of
diffraction in the blur at focus. In the form ``log(1/MTF50^2) = peak + shape(share, x)`` with
``x = rate (step - place)`` the shape hardly differs between lenses. It is tabulated for a pupil with defocus
(H. H. Hopkins, Proc. R. Soc. A 231, 1955) times a Gaussian for aberrations and the pixel. A small odd and a small even
term, each with a narrow prior, allow for other aberrations; with coarse steps they dominate the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.interpolate import CubicSpline, RectBivariateSpline

from glasswright_camera.sharpness.ceiling import HALF

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

LEAST_STEPS: Final = 5
DIFFRACTION_HALF: Final = 0.4039728
"""MTF50 of a perfect lens over its cut-off frequency."""
SHARES: Final = np.array([0.004, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
"""Shares of diffraction in the blur at focus (ratio of 1/MTF50^2) for which the shape is tabulated."""
FARTHEST: Final = 3.5
"""x at the table's end, where 1/MTF50^2 is 15 to 27 times that in focus; beyond, it is a power of x."""
REACH: Final = 2.4
"""Steps whose log(1/MTF50^2) exceeds the least by more are too blurred to locate the peak."""
ODD_U: Final = (0.03, 0.15)
EVEN_U: Final = (0.02, 0.08)
"""Prior standard deviations of the coefficients of ``x^3 / (1 + x^2)`` and ``x^4 / (1 + x^2)``: a constant, plus a term
times the share of diffraction. They allow for half a wave of spherical aberration at the pupil's rim."""
SHAPE_U: Final = (0.01, 0.04)
"""The same for the remaining error of the shape, of its value, so that steps far from focus have little weight."""
GRID_U: Final = 0.12
"""The same for the first search on a grid of places and rates, which is coarse."""
MARGIN: Final = 0.2
"""Distance beyond the series' ends up to which a peak is searched, of the series' length."""
FRAME_U: Final = 0.001
"""Relative uncertainty of MTF50 that all discs of a frame share (vibration, an inexact focus step)."""
PARAMETERS: Final = 5
"""Level, place, rate, and an odd and an even term."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusCurves:
    """Fitted curves: arrays over (curves,); NaN where fewer than five steps were measured, or no peak was found."""

    peak: Array
    """log(1/MTF50^2) at best focus."""
    place: Array
    """Best focus, in steps and fractions of a step."""
    rate: Array
    """Logarithm of x per step."""
    odd: Array
    even: Array
    share: Array
    covariance: Array
    """(curves, 5, 5): of peak, place, rate, odd, even."""
    misfit: Array
    """Root of chi-square over degrees of freedom, at least 1; the covariance was multiplied by its square."""

    @property
    def mtf50(self) -> Array:
        """MTF50 at each curve's own best focus, cycles per pixel."""
        return np.asarray(np.exp(-self.peak / 2))

    @property
    def mtf50_u(self) -> Array:
        """Standard uncertainty of `mtf50`."""
        return self.mtf50 * np.sqrt(self.covariance[:, 0, 0]) / 2

    @property
    def place_u(self) -> Array:
        """Standard uncertainty of the step of best focus."""
        return np.sqrt(self.covariance[:, 1, 1])

    def read_at(self, place: Array | float, place_u: Array | float = 0.0) -> tuple[Array, Array]:
        """Return MTF50 at a step, one for all curves or one for each, and its standard uncertainty."""
        step = np.broadcast_to(np.asarray(place, dtype=np.float64), self.peak.shape)[:, None]
        value, slope = self._evaluate(step)
        value, slope = value[:, 0], slope[:, 0]
        variance = np.einsum("ci,cij,cj->c", slope, self.covariance, slope)
        # moving the step has the effect of moving the peak the other way
        moved = slope[:, 1] * np.asarray(place_u)
        mtf50 = np.exp(-value / 2)
        return mtf50, mtf50 * np.sqrt(variance + moved**2) / 2

    def expect(self, step: float) -> tuple[Array, Array]:
        """Return log(1/MTF50^2) at a step, and its standard uncertainty."""
        value, slope = self._evaluate(np.full((len(self.peak), 1), step))
        variance = np.einsum("ci,cij,cj->c", slope[:, 0], self.covariance, slope[:, 0])
        return value[:, 0], np.sqrt(variance)

    def _evaluate(self, step: Array) -> tuple[Array, Array]:
        known = np.isfinite(self.peak)
        value, slope = np.full(step.shape, np.nan), np.full((*step.shape, PARAMETERS), np.nan)
        found = np.stack([self.peak, self.place, self.rate, self.odd, self.even], axis=1)[known]
        value[known], slope[known] = _run(found, self.share[known], step[known])
        return value, slope


def find_sway(step: Array, mtf50: Array, mtf50_u: Array, cutoff: float, place: float) -> float:
    """Return by how much one step alone moves MTF50 at a place, relative, beyond what its uncertainty makes of it.

    A frame that was knocked by a percent bends the curve rather than standing beside it, and its misfit tells little of
    what it did. So each step is left out in turn; the change is the median of all curves', since a knock is common to
    the frame, and what the steps' own uncertainties let it be is taken off. The largest of the steps'. Parameters are
    as of `fit_focus_curves`.
    """
    whole, whole_u = fit_focus_curves(step, mtf50, mtf50_u, cutoff).read_at(place)
    most = 0.0
    for k in range(len(step)):
        rest = np.arange(len(step)) != k
        others = fit_focus_curves(step[rest], mtf50[rest], mtf50_u[rest], cutoff, least=LEAST_STEPS - 1)
        value, value_u = others.read_at(place)
        known = np.isfinite(value) & np.isfinite(whole)
        if known.any():
            sway = float(np.median(np.log(value / whole)[known]))
            usual = float(np.median(np.maximum((value_u / value) ** 2 - (whole_u / whole) ** 2, 0.0)[known]))
            most = max(most, sway**2 - usual)
    return float(np.sqrt(most))


def fit_focus_curves(step: Array, mtf50: Array, mtf50_u: Array, cutoff: float, least: int = LEAST_STEPS) -> FocusCurves:
    """Fit curves to a series.

    Parameters
    ----------
    step
        (steps,): places of the shots, in steps.
    mtf50, mtf50_u
        (steps, curves): cycles per pixel, and standard uncertainty from pixel noise; NaN where a step lacks a number.
    cutoff
        Cut-off frequency of diffraction, cycles per pixel; infinite where it is not known.
    least
        Curves with fewer steps are NaN.
    """
    known = np.isfinite(mtf50) & np.isfinite(mtf50_u)
    enough = known.sum(axis=0) >= least
    found, misfit = np.full((mtf50.shape[1], PARAMETERS), np.nan), np.full(mtf50.shape[1], np.nan)
    covariance = np.full((mtf50.shape[1], PARAMETERS, PARAMETERS), np.nan)
    if enough.any():
        value, value_u = mtf50.T[enough], mtf50_u.T[enough]
        level = -2 * np.log(value)
        used = _choose_steps(level)
        weight = np.where(used, np.hypot(2 * value_u / value, 2 * FRAME_U), np.inf) ** -2
        level = np.where(used, level, 0.0)
        begun = _begin(step, level, weight, cutoff)
        found[enough], covariance[enough], misfit[enough] = _refine(begun, step, level, weight, cutoff)
    return FocusCurves(
        peak=found[:, 0],
        place=found[:, 1],
        rate=found[:, 2],
        odd=found[:, 3],
        even=found[:, 4],
        share=_share(found[:, 0], cutoff),
        covariance=covariance,
        misfit=misfit,
    )


def _choose_steps(level: Array) -> Mask:
    """Return which steps are used: those not too blurred, and always the five least blurred: (curves, steps)."""
    known = np.isfinite(level)
    order = np.argsort(np.where(known, level, np.inf), axis=1)
    rank = np.argsort(order, axis=1)
    least = np.where(known, level, np.inf).min(axis=1, keepdims=True)
    return np.asarray(known & ((level <= least + REACH) | (rank < LEAST_STEPS)))


def _share(peak: Array, cutoff: float) -> Array:
    """Return the share of diffraction in the blur at focus."""
    own = (DIFFRACTION_HALF * cutoff) ** -2 if np.isfinite(cutoff) else 0.0
    return np.clip(own * np.exp(-peak), SHARES[0], 1.0)


def _begin(step: Array, level: Array, weight: Array, cutoff: float) -> Array:
    """Return the best of a grid of places and rates as initial parameters: (curves, 5)."""
    apart = float(np.median(np.diff(np.sort(step))))
    places = np.arange(step.min() - apart / 2, step.max() + 0.75 * apart, apart / 4)
    share = _share(np.where(weight > 0, level, np.inf).min(axis=1), cutoff)
    best = np.full(len(level), np.inf)
    found = np.zeros((len(level), PARAMETERS))
    for rate in np.geomspace(0.03, 3.0, 20) / apart:
        # one shape for all curves is enough to start the fit
        shape = _shape(np.asarray(np.median(share)), rate * (step[None, :] - places[:, None]))[0]
        trust = weight[:, None] / (1 + weight[:, None] * (GRID_U * shape) ** 2)
        rest = level[:, None] - shape
        peak = (trust * rest).sum(axis=2) / trust.sum(axis=2)
        cost = (trust * (rest - peak[..., None]) ** 2).sum(axis=2)
        cost -= np.log(trust, where=trust > 0, out=np.zeros_like(trust)).sum(axis=2)
        at = np.argmin(cost, axis=1)
        row = np.arange(len(level))
        better = cost[row, at] < best
        best = np.where(better, cost[row, at], best)
        here = np.column_stack([peak[row, at], places[at], np.full(len(level), np.log(rate))])
        found[better, :3] = here[better]
    return found


def _refine(found: Array, step: Array, level: Array, weight: Array, cutoff: float) -> tuple[Array, Array, Array]:
    """Fit all parameters by damped Gauss-Newton, with a prior on the odd and the even term; all curves at once."""
    curves = len(found)
    places = np.broadcast_to(step, level.shape)
    ends = step.min() - MARGIN * np.ptp(step), step.max() + MARGIN * np.ptp(step)
    share = _share(found[:, 0], cutoff)
    shape = _run(found, share, places)[0] - found[:, :1]
    weight = weight / (1 + weight * ((SHAPE_U[0] + SHAPE_U[1] * share)[:, None] * shape) ** 2)
    held = np.zeros((curves, PARAMETERS, PARAMETERS))
    held[:, 3, 3] = (ODD_U[0] + ODD_U[1] * share) ** -2
    held[:, 4, 4] = (EVEN_U[0] + EVEN_U[1] * share) ** -2
    damping = np.full(curves, 1e-3)

    def judge(at: Array) -> tuple[Array, Array, Array]:
        value, slope = _run(at, _share(at[:, 0], cutoff), places)
        rest = level - value
        cost = (weight * rest**2).sum(axis=1) + np.einsum("ci,cij,cj->c", at, held, at)
        gradient = np.einsum("csi,cs->ci", slope, weight * rest) - np.einsum("ci,cij->cj", at, held)
        return cost, gradient, np.einsum("csi,cs,csj->cij", slope, weight, slope) + held

    cost, gradient, curvature = judge(found)
    for _ in range(40):
        scale = np.einsum("cii->ci", curvature) + 1e-9
        damped = curvature + damping[:, None, None] * scale[:, :, None] * np.eye(PARAMETERS)
        move = np.clip(np.linalg.solve(damped, gradient[..., None])[..., 0], -1.0, 1.0)
        tried = found + move
        tried[:, 1] = np.clip(tried[:, 1], *ends)
        new_cost, new_gradient, new_curvature = judge(tried)
        better = new_cost <= cost
        small = better & (cost - new_cost < 1e-7 * (1 + cost))
        found = np.where(better[:, None], tried, found)
        cost = np.where(better, new_cost, cost)
        gradient = np.where(better[:, None], new_gradient, gradient)
        curvature = np.where(better[:, None, None], new_curvature, curvature)
        damping = np.clip(np.where(better, damping / 5, damping * 8), 1e-9, 1e9)
        if (small | (damping > 1e8)).all():
            break
    freedom = np.maximum((weight > 0).sum(axis=1) - 3, 1)
    misfit = np.sqrt(np.maximum(cost / freedom, 1.0))
    covariance = np.linalg.pinv(curvature, hermitian=True) * misfit[:, None, None] ** 2
    return found, covariance, misfit


def _run(found: Array, share: Array, step: Array) -> tuple[Array, Array]:
    """Return log(1/MTF50^2) at steps (curves, steps), and its derivatives by the parameters (curves, steps, 5)."""
    peak, place, rate, odd, even = (found[:, k, None] for k in range(PARAMETERS))
    speed = np.exp(np.clip(rate, -12, 6))
    x = speed * (step - place)
    shape, slope = _shape(share[:, None], x)
    square = x**2
    terms = [x * square / (1 + square), square**2 / (1 + square)]
    slope = slope + odd * (3 * square + square**2) / (1 + square) ** 2
    slope = slope + even * (4 * x * square + 2 * x * square**2) / (1 + square) ** 2
    value = peak + shape + odd * terms[0] + even * terms[1]
    return value, np.stack([np.ones_like(x), -speed * slope, x * slope, *terms], axis=-1)


def _shape(share: Array, x: Array) -> tuple[Array, Array]:
    """Return the shape, log(1/MTF50^2) less its value at focus, and its derivative by x."""
    table = tabulate_shape()
    far = np.abs(x)
    near = np.minimum(far, FARTHEST)
    root = np.broadcast_to(np.sqrt(share), x.shape)
    value, slope = table.ev(root, near), table.ev(root, near, dy=1)
    # beyond the table 1/MTF50^2 is a power of x
    beyond = np.maximum(far / FARTHEST, 1.0)
    return value + near * slope * np.log(beyond), slope * np.sign(x) / beyond


@cache
def tabulate_shape() -> RectBivariateSpline:
    """Return the shape as a function of the root of diffraction's share and x, which is scaled so that it starts as
    x^2."""
    place = np.linspace(0, FARTHEST, 71)
    rows = []
    for share in SHARES:
        half = DIFFRACTION_HALF * np.sqrt(share)
        frequency = np.linspace(0.05, 1.1, 400) * half
        waves = np.linspace(0, 0.3 + 1.6 / np.sqrt(share), 90)
        # Gaussian with which the transfer function in focus is one half at `half`
        fall = np.log(2 * float(defocused_transfer(np.array(2 * half), np.array(0.0)))) / half**2
        transfer = defocused_transfer(2 * frequency[None, :], waves[:, None]) * np.exp(-fall * frequency**2)
        at = np.maximum(np.argmax(np.c_[transfer[:, :-1], np.zeros(len(waves))] < HALF, axis=1), 1)
        row = np.arange(len(waves))
        above, below = transfer[row, at - 1], transfer[row, at]
        crossing = frequency[at - 1] + (frequency[1] - frequency[0]) * (above - HALF) / (above - below)
        level = CubicSpline(waves, -2 * np.log(crossing / crossing[0]), bc_type=((1, np.array(0.0)), "not-a-knot"))
        scale = np.sqrt(float(level(0.0, 2)) / 2)
        rows.append(level(place / scale))
    return RectBivariateSpline(np.sqrt(SHARES), place, np.array(rows))


def defocused_transfer(shear: Array, waves: Array) -> Array:
    """Return the transfer function of a round pupil with defocus W20, in wavelengths; `shear` is 2 f / cut-off.

    Hopkins's overlap integral, ``(4/pi) int_0^b sin^2 t cos(4 pi W20 s (cos t - s/2)) dt`` with b = arccos(s/2), by
    Gauss-Legendre.
    """
    node, weight = np.polynomial.legendre.leggauss(14 + int(8 * np.max(waves)))
    bound = np.arccos(np.clip(shear / 2, 0, 1))
    strength = 4 * np.pi * waves * shear
    total = np.zeros(np.broadcast(shear, waves).shape)
    for x, w in zip(node, weight, strict=True):
        turn = bound * (x + 1) / 2
        total += w * np.sin(turn) ** 2 * np.cos(strength * (np.cos(turn) - shear / 2))
    return np.asarray(total * bound * 2 / np.pi)
