"""Fit of one disc's edge in one colour plane: place, light and blur at once.

Weighted least squares (Levenberg-Marquardt) with a Gaussian prior on the blur's parameters, so that noise is not fitted
by shapes.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import part
from glasswright_camera.edges.kernel.bins import BINS, DIRECTIONS
from glasswright_camera.edges.kernel.equations import FINE_SLACK, normal_equations
from glasswright_camera.edges.kernel.parameters import CONTRAST, DARK, PARAMETERS, WIDTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.equations import FitData

    Array = NDArray[np.float64]

ITERATIONS: Final = 16
"""Steps after which a fit is given up; half and twice as many change nothing (`ci/bench ablation --settings`)."""
CONVERGED: Final = 0.5
"""A step that is predicted to lower chi-square by less than this is the last. It is 0.7 of a standard deviation of one
parameter; convergence is quadratic, so the error that remains is far smaller."""
SETTLING: Final = 100.0
"""The same, from which on cells that do not fit are left out."""
COARSE_SLACK: Final = 0.1
STRICT_SLACK: Final = 0.004
"""As FINE_SLACK: in the first steps, and beside cells that were left out (`stages/DECISIONS.md`, a speck on the
edge)."""
SPECK_CELLS: Final = 3
"""A direction with so many cells that do not fit is left out whole: a speck has a wide rim below the noise."""
MOST_REJECTED: Final = 6
"""Widest speck, in directions. Where the directions that do not fit span a wider arc, it is no speck, and only the
cells themselves are left out."""
FIRST_DAMPING, NEAR_DAMPING = 1e-4, 1e-9
MOST_DAMPING: Final = 1e6
"""Damping of a first fit; of a fit that starts near its solution, also the smallest; and the largest, at which a fit is
given up. A successful step divides it by ten, a failed one multiplies it (Marquardt 1963; from memory)."""
NO_EFFECT: Final = 1e-12
"""Added to the diagonal that is damped, so that a parameter without effect is damped too."""
ALLOWED_RISE: Final = 0.01
"""Allowed rise of the cost in a step, of chi-square per cell: the weights depend on the model."""
NOISE_SIGMAS: Final = 3.0
"""Standard deviations of chi-square that count as noise: exceeded by chance once in 700."""
NARROWEST: Final = 0.9
"""Smallest 1/MTF50^2 in px^2 that is tried. A pixel alone has 2.75; below 1 there is no usable MTF50."""


@part
def solve(matrix: Array, right: Array) -> Array:
    """Return the solution of linear equations; NaN where the matrix is singular or not finite."""
    try:
        return np.linalg.solve(matrix, right)  # type: ignore[return-value] # of float64 it is float64
    except Exception:  # compiled code knows no narrower class
        return np.full_like(right, math.nan)


@part
def invert(matrix: Array) -> Array:
    """Return the inverse of a matrix; NaN where it is singular or not finite."""
    try:
        return np.linalg.inv(matrix)  # type: ignore[return-value]
    except Exception:  # as above
        return np.full_like(matrix, math.nan)


@part
def _choose_cells(
    data: FitData,
    value: Array,
    kept: NDArray[np.bool_],
    normal: Array,
    right: Array,
) -> tuple[float, int, int]:
    """Leave out cells that do not fit (dust, a hot pixel) at a `value` near the truth, and sum up without them.

    Directions with such cells, and those beside them, are checked again with STRICT_SLACK, as the rim of a speck is
    faint. A direction with SPECK_CELLS of them is left out whole.
    """
    slack = np.full(DIRECTIONS, FINE_SLACK)
    total, used, lost_cells, strays = normal_equations(data, value, slack, kept, normal, right)
    if strays:
        slack[:] = -1.0
        lost = np.empty(DIRECTIONS, dtype=np.int64)
        for direction in range(DIRECTIONS):
            lost[direction] = np.sum(~kept[direction])
        is_speck = _span(lost >= SPECK_CELLS) <= MOST_REJECTED
        for direction in range(DIRECTIONS):
            if lost[direction]:
                slack[direction - 1] = slack[direction] = slack[(direction + 1) % DIRECTIONS] = STRICT_SLACK
        for direction in range(DIRECTIONS):
            if is_speck and lost[direction] >= SPECK_CELLS:
                slack[direction] = -1.0
                kept[direction] = False
        total, used, lost_cells, _ = normal_equations(data, value, slack, kept, normal, right)
    return total, used, lost_cells


@part
def _span(rejected: NDArray[np.bool_]) -> int:
    """Return the length, in directions, of the shortest arc that holds all rejected ones."""
    gap, widest = 0, 0
    for step in range(2 * DIRECTIONS):
        gap = 0 if rejected[step % DIRECTIONS] else gap + 1
        widest = max(widest, min(gap, DIRECTIONS))
    return DIRECTIONS - widest


@part
def fit_edge(
    data: FitData,
    start: Array,
    prior: Array,
    information: Array,
    near: bool,
    value: Array,
    covariance: Array,
) -> tuple[float, float, float, bool]:
    """Fit the edge; fill `value` and `covariance`.

    Parameters
    ----------
    data
        Cells, shapes and noise.
    start
        (PARAMETERS,): initial values.
    prior
        (PARAMETERS, PARAMETERS): the prior's precision, 0 where nothing is known.
    information
        (PARAMETERS,): the precision times the prior mean.
    near
        Whether `start` is near enough that cells which do not fit can be left out from the first step.
    value, covariance
        Filled: (PARAMETERS,) and (PARAMETERS, PARAMETERS).

    Returns
    -------
    tuple
        Chi-square per degree of freedom; the misfit: rms of the residual beyond noise, of the step; the share of cells
        left out; whether the fit converged.
    """
    normal, right = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    trial_normal, trial_right = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    damped = np.empty((PARAMETERS, PARAMETERS))
    kept = np.ones((DIRECTIONS, BINS), dtype=np.bool_)
    value[:] = start
    slack = np.full(DIRECTIONS, -1.0 if near else COARSE_SLACK)
    settled = near
    damping = NEAR_DAMPING if near else FIRST_DAMPING
    converged = False
    if near:
        total, used, lost = _choose_cells(data, value, kept, normal, right)
        strays = 0
    else:
        total, used, lost, strays = normal_equations(data, value, slack, kept, normal, right)
    for _ in range(ITERATIONS):
        if used < 4 * PARAMETERS:
            return math.nan, math.nan, 1.0, False
        downhill = right - prior @ value + information
        damped[:, :] = normal
        damped += prior
        for m in range(PARAMETERS):
            damped[m, m] += damping * (normal[m, m] + NO_EFFECT)
        change = solve(damped, downhill)
        promised = float(np.sum(change * downhill))
        if not promised >= 0:
            # the matrix is singular, or rounding has made it indefinite
            return math.nan, math.nan, 1.0, False
        # where noise is tiny, the misfit sets the scale
        scale = max(1.0, total / used)
        if not settled and promised < SETTLING * scale:
            # from here on the same cells are used
            settled = True
            slack[:] = -1.0
            if strays:
                total, used, lost = _choose_cells(data, value, kept, normal, right)
                continue
        converged = settled and promised < CONVERGED * scale
        if converged:
            value += change
            break
        trial = value + change
        if trial[WIDTH] < NARROWEST:
            trial[WIDTH] = 0.5 * (value[WIDTH] + NARROWEST)
        trial_total, trial_used, trial_lost, trial_strays = normal_equations(
            data, trial, slack, kept, trial_normal, trial_right
        )
        cost = (total + value @ (prior @ value - 2 * information)) / used
        trial_cost = (trial_total + trial @ (prior @ trial - 2 * information)) / max(trial_used, 1)
        # the weights depend on the model, so a last step may raise the cost a little
        if trial_used >= 4 * PARAMETERS and trial_cost <= cost + ALLOWED_RISE * total / used:
            value[:] = trial
            normal[:, :] = trial_normal
            right[:] = trial_right
            total, used, lost, strays = trial_total, trial_used, trial_lost, trial_strays
            damping = max(damping / 10, NEAR_DAMPING)
        else:
            damping *= 10
            if damping > MOST_DAMPING:
                break
    covariance[:, :] = invert(normal + prior)
    if not covariance[DARK, DARK] > 0:
        return math.nan, math.nan, 1.0, False
    # effective number of parameters: those that the prior determines cost no degree of freedom
    freedom = max(used - PARAMETERS + np.sum(covariance * prior), 1.0)
    beyond = max(total - freedom - NOISE_SIGMAS * math.sqrt(2 * freedom), 0.0)
    misfit = math.sqrt(beyond / normal[DARK, DARK]) / abs(value[CONTRAST])
    return total / freedom, misfit, lost / (used + lost), converged
