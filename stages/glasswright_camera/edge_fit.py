"""Fit of one disc's edge in one colour plane: place, light and blur at once.

Directions a are those of the edge's normal, counted from the image radius. The model of the light in direction a at
distance d from the predicted edge is

    (1 + (1 + d / R) (gx cos a + gy sin a)) (dark + step e(u)),   u = (d - shift(a)) / sqrt(w(a)),
    e = mean(u) + sum_k s_k(a) P_k(u) + sum_j o_j(a) O_j(u)

with shift(a) = r + x cos a + y sin a + an ellipse's terms in 2a, and w(a) = w_0 + terms in 2a and 4a the square of
1/MTF50 (blur variances of different origin add, and an astigmatic one runs as cos 2a; one made by waves, not quite).
The amounts of the symmetric shapes run in cos 2a and cos 4a, those of the lopsided ones in a and 3a. `edge_shapes` says
what the shapes are, `edge_bins` what is fitted, `edge_prior` what is expected of the amounts.

It is a weighted least-squares fit (Levenberg-Marquardt) in which amounts are drawn towards what is usual among lenses,
so that noise is not taken for shape. Within a direction every column of the Jacobian is a function of distance times a
constant, so the products are summed over distance first: that is what makes it fast.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled
from glasswright_camera.edge_bins import BINS, DIRECTIONS, NUMBER, SUM_DISTANCE, SUM_LIGHT
from glasswright_camera.edge_shapes import EVEN_COUNT, FITTED_REACH, ODD_COUNT, REACH, STEP

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

EVEN: Final = EVEN_COUNT
ODD: Final = ODD_COUNT

DARK, CONTRAST, GRADIENT, SHIFT, WIDTH, SHAPE = 0, 1, 2, 4, 9, 14
"""Of each: shift mean, cos a, sin a, cos 2a, sin 2a; width mean, cos 2a, sin 2a, cos 4a, sin 4a."""
TURN: Final = SHAPE + EVEN
"""EVEN amounts that run as cos 2a, then EVEN as cos 4a."""
LOPSIDED: Final = TURN + 2 * EVEN
"""ODD amounts for each of cos a, cos 3a, sin a, sin 3a."""
PARAMETERS: Final = LOPSIDED + 4 * ODD

# functions of distance within a direction: level, e, slope of light, move, widen, EVEN shapes, ODD lopsided ones
SHAPES: Final = EVEN + ODD
RADIAL: Final = 5 + SHAPES

ITERATIONS: Final = 16
REST: Final = 0.02
"""A fit stops where a step promises to lower chi-square by less than this, and counts if it was below 1 at the end."""
SETTLING: Final = 100.0
"""The same, from where on cells that do not fit are told apart."""
FINE_SLACK: Final = 0.015
"""How far off the model, in steps of the edge, a cell may lie beside its noise once the fit is near."""
NARROWEST: Final = 0.9
"""Smallest 1/MTF50^2 in px^2 that is tried. A pixel alone has 2.75; below 1 there is no MTF50 to speak of."""


@compiled
def angular_factors(which: Counts, factor: Array) -> None:
    """Fill, for each parameter, which function of distance it scales, and by how much in each direction.

    `which` is (PARAMETERS,), `factor` (DIRECTIONS, PARAMETERS).
    """
    which[DARK], which[CONTRAST] = 0, 1
    which[GRADIENT], which[GRADIENT + 1] = 2, 2
    which[SHIFT:WIDTH] = 3
    which[WIDTH:SHAPE] = 4
    for j in range(EVEN):
        which[SHAPE + j], which[TURN + j], which[TURN + EVEN + j] = 5 + j, 5 + j, 5 + j
    for m in range(4):
        for j in range(ODD):
            which[LOPSIDED + m * ODD + j] = 5 + EVEN + j
    half = math.pi / DIRECTIONS
    for direction in range(DIRECTIONS):
        angle = (direction + 0.5) / DIRECTIONS * 2 * math.pi
        c1, s1 = _mean_turn(angle, half, 1)
        c2, s2 = _mean_turn(angle, half, 2)
        c3, s3 = _mean_turn(angle, half, 3)
        c4, s4 = _mean_turn(angle, half, 4)
        f = factor[direction]
        f[:] = 1.0
        f[GRADIENT], f[GRADIENT + 1] = c1, s1
        f[SHIFT + 1], f[SHIFT + 2], f[SHIFT + 3], f[SHIFT + 4] = c1, s1, c2, s2
        f[WIDTH + 1], f[WIDTH + 2], f[WIDTH + 3], f[WIDTH + 4] = c2, s2, c4, s4
        f[TURN : TURN + EVEN] = c2
        f[TURN + EVEN : LOPSIDED] = c4
        f[LOPSIDED : LOPSIDED + ODD] = c1
        f[LOPSIDED + ODD : LOPSIDED + 2 * ODD] = c3
        f[LOPSIDED + 2 * ODD : LOPSIDED + 3 * ODD] = s1
        f[LOPSIDED + 3 * ODD : PARAMETERS] = s3


@compiled
def _mean_turn(angle: float, half: float, times: int) -> tuple[float, float]:
    """Give the means of cos and sin of a multiple of the angle over a direction's sixteenth of a turn."""
    mean = math.sin(times * half) / (times * half)
    return mean * math.cos(times * angle), mean * math.sin(times * angle)


@compiled
def _normal_equations(
    cell: Array,
    value: Array,
    radius_px: float,
    table: Array,
    which: Counts,
    factor: Array,
    variance: Array,
    slack: float,
    kept: NDArray[np.bool_],
    normal: Array,
    right: Array,
) -> tuple[float, int]:
    """Sum up the normal equations at `value`; give the weighted sum of squares and the cells used.

    A cell off the model by more than six times its noise plus `slack` of the step is left out. With a negative slack
    the choice that `kept` holds stands, else it is made anew and written there.
    """
    normal[:, :] = 0.0
    right[:] = 0.0
    chi_square, used = 0.0, 0
    contrast = value[CONTRAST]
    last = table.shape[0] - 2
    rows = np.empty((BINS, RADIAL + 1))  # each cell's functions and residual, over its noise
    local = np.empty(RADIAL)  # the parameters' sums in this direction
    for direction in range(DIRECTIONS):
        local[:] = 0.0
        for m in range(PARAMETERS):
            local[which[m]] += value[m] * factor[direction, m]
        tilt, shift, width = local[2], local[3], max(local[4], 1.0)
        rate = 1.0 / math.sqrt(width)
        filled = 0
        for k in range(BINS):
            n = cell[direction, k, NUMBER]
            if n < 1:
                continue
            d = cell[direction, k, SUM_DISTANCE] / n
            u = (d - shift) * rate
            if abs(u) > FITTED_REACH * 1.2:
                continue
            place = (u + REACH) / STEP
            i = min(max(int(place), 0), last)
            t = place - i
            rise = table[i + 1, 0] - table[i, 0]
            e, slope = table[i, 0] + t * rise, rise
            f = rows[filled]
            for j in range(SHAPES):
                rise = table[i + 1, 1 + j] - table[i, 1 + j]
                f[5 + j] = table[i, 1 + j] + t * rise
                e += local[5 + j] * f[5 + j]
                slope += local[5 + j] * rise
            arm = 1.0 + d / radius_px
            gain = 1.0 + tilt * arm
            light = value[DARK] + contrast * e
            residual = cell[direction, k, SUM_LIGHT] / n - gain * light
            noise = variance[0] + (variance[1] - variance[0]) * min(max(e, 0.0), 1.0)
            if slack >= 0:
                kept[direction, k] = abs(residual) <= 6.0 * math.sqrt(noise / n) + slack * contrast
            if not kept[direction, k]:
                continue
            weight = math.sqrt(n / noise)
            gain_contrast = weight * gain * contrast
            f[0] = weight * gain
            f[1] = weight * gain * e
            f[2] = weight * arm * light
            f[3] = -gain_contrast * slope / STEP * rate
            f[4] = 0.5 * f[3] * u * rate
            for j in range(SHAPES):
                f[5 + j] *= gain_contrast
            f[RADIAL] = weight * residual
            filled += 1
        used += filled
        gram = np.dot(rows[:filled].T, rows[:filled])
        chi_square += gram[RADIAL, RADIAL]
        for m in range(PARAMETERS):
            a, fm = which[m], factor[direction, m]
            right[m] += gram[a, RADIAL] * fm
            for n_ in range(m + 1):
                b = which[n_]
                normal[m, n_] += gram[a, b] * fm * factor[direction, n_]
    for m in range(PARAMETERS):
        for n_ in range(m):
            normal[n_, m] = normal[m, n_]
    return chi_square, used


@compiled
def fit_edge(
    cell: Array,
    start: Array,
    radius_px: float,
    table: Array,
    which: Counts,
    factor: Array,
    variance: Array,
    prior: Array,
    near: bool,
    value: Array,
    covariance: Array,
) -> tuple[float, int, bool]:
    """Fit the edge; fill `value` and `covariance`.

    Parameters
    ----------
    cell
        (DIRECTIONS, BINS, 4): see `edge_bins`.
    start
        (PARAMETERS,) where to begin.
    radius_px
        The disc's radius.
    table
        Shapes: see `EdgeShapes`.
    which, factor
        See `angular_factors`.
    variance
        Pixel variance on the dark and the light side.
    prior
        (PARAMETERS, PARAMETERS) inverse covariance of what is expected, 0 where nothing is known.
    near
        Whether `start` is near enough to tell cells that do not fit from the first.
    value, covariance
        Filled: (PARAMETERS,) and (PARAMETERS, PARAMETERS).

    Returns
    -------
    tuple
        Chi-square for each degree of freedom, cells used, and whether the fit came to rest.
    """
    normal, right = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    trial_normal, trial_right = np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    kept = np.ones((DIRECTIONS, BINS), dtype=np.bool_)
    value[:] = start
    slack = FINE_SLACK if near else 0.1
    damping = 1e-9 if near else 1e-4
    rested = False
    total, used = _normal_equations(cell, value, radius_px, table, which, factor, variance, slack, kept, normal, right)
    if near:
        slack = -1.0
    for _ in range(ITERATIONS):
        if used < 4 * PARAMETERS:
            return math.nan, used, False
        downhill = right - prior @ value
        change = np.linalg.solve(normal + prior + damping * np.diag(np.diag(normal) + 1e-12), downhill)
        promised = float(np.sum(change * downhill))
        # where hardly any noise is left, what the model leaves stands for it
        scale = max(1.0, total / used)
        rested = promised < scale and slack < 0
        if promised < REST * scale and slack < 0:
            break
        if promised < SETTLING * scale and slack > 0:
            # near enough to tell dust from edge; from here on the same cells are used
            slack = -1.0
            total, used = _normal_equations(
                cell, value, radius_px, table, which, factor, variance, FINE_SLACK, kept, normal, right
            )
            continue
        trial = value + change
        if trial[WIDTH] < NARROWEST:
            trial[WIDTH] = 0.5 * (value[WIDTH] + NARROWEST)
        trial_total, trial_used = _normal_equations(
            cell, trial, radius_px, table, which, factor, variance, slack, kept, trial_normal, trial_right
        )
        cost = (total + value @ prior @ value) / used
        trial_cost = (trial_total + trial @ prior @ trial) / max(trial_used, 1)
        # the weights follow the model, so a last step may cost a trace more
        if trial_used >= 4 * PARAMETERS and trial_cost <= cost * 1.01:
            value[:] = trial
            normal[:, :] = trial_normal
            right[:] = trial_right
            total, used = trial_total, trial_used
            damping = max(damping * 0.1, 1e-9)
        else:
            damping = damping * 10
            if damping > 1e6:
                break
    covariance[:, :] = np.linalg.inv(normal + prior)
    return total / max(used - PARAMETERS, 1), used, rested
