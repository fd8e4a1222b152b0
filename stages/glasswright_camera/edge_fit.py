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

from glasswright_camera.compiled import compiled, compiled_in_any_order
from glasswright_camera.edge_bins import BINS, DIRECTIONS, DISTANCE_MEAN, DISTANCE_VARIANCE, LIGHT_MEAN, NUMBER
from glasswright_camera.edge_shapes import CURVATURE, EVEN_COUNT, FITTED_REACH, ODD_COUNT, REACH, STEP

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
REST: Final = 0.5
"""A step that promises to lower chi-square by less than this is taken, and is the last."""
SETTLING: Final = 100.0
"""The same, from where on cells that do not fit are told apart."""
MOST_SIGMAS: Final = 6.0
COARSE_SLACK: Final = 0.1
FINE_SLACK: Final = 0.015
STRICT_SLACK: Final = 0.004
"""How far off the model, in steps of the edge, a cell may lie beside its noise: at first, once the fit is near, and
near cells that lie further off."""
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


@compiled_in_any_order
def _fill_functions(
    cells: Array,
    kept: NDArray[np.bool_],
    local: Array,
    dark: float,
    contrast: float,
    radius_px: float,
    table: Array,
    variance: Array,
    slack: float,
    f: Array,
) -> tuple[int, int]:
    """Fill, for each used cell of a direction, the functions of distance and the residual, over the cell's noise.

    Parameters
    ----------
    local
        (RADIAL,): the direction's parameters.
    f
        Filled: (RADIAL + 1, BINS), the residual last.

    Returns
    -------
    tuple
        How many cells were filled in, and how many, filled in or not, are off by more than FINE_SLACK allows.
    """
    tilt, shift, width = local[2], local[3], max(local[4], 1.0)
    rate, per_radius, per_step = 1.0 / math.sqrt(width), 1.0 / radius_px, 1.0 / STEP
    half_square, last = 0.5 * rate * rate, table.shape[0] - 2
    filled, strays = 0, 0
    for k in range(BINS):
        n = cells[k, NUMBER]
        if n < 1:
            continue
        d = cells[k, DISTANCE_MEAN]
        u = (d - shift) * rate
        if abs(u) > FITTED_REACH * 1.2:
            continue
        place = (u + REACH) * per_step
        i = min(max(int(place), 0), last)
        t = place - i
        low, high = table[i], table[i + 1]
        slope = high[0] - low[0]
        e = low[0] + t * slope
        e += half_square * cells[k, DISTANCE_VARIANCE] * (low[CURVATURE] + t * (high[CURVATURE] - low[CURVATURE]))
        for j in range(SHAPES):
            rise = high[1 + j] - low[1 + j]
            shape = low[1 + j] + t * rise
            f[5 + j, filled] = shape
            e += local[5 + j] * shape
            slope += local[5 + j] * rise
        arm = 1.0 + d * per_radius
        gain = 1.0 + tilt * arm
        light = dark + contrast * e
        residual = cells[k, LIGHT_MEAN] - gain * light
        weight = math.sqrt(n / (variance[0] + (variance[1] - variance[0]) * min(max(e, 0.0), 1.0)))
        strays += (abs(residual) - FINE_SLACK * contrast) * weight > MOST_SIGMAS
        if slack >= 0:
            kept[k] = (abs(residual) - slack * contrast) * weight <= MOST_SIGMAS
        if not kept[k]:
            continue
        tall = weight * gain * contrast
        move = -tall * slope * per_step * rate
        f[0, filled] = weight * gain
        f[1, filled] = weight * gain * e
        f[2, filled] = weight * arm * light
        f[3, filled] = move
        f[4, filled] = 0.5 * move * u * rate
        for j in range(SHAPES):
            f[5 + j, filled] *= tall
        f[RADIAL, filled] = weight * residual
        filled += 1
    return filled, strays


@compiled_in_any_order
def _multiply(f: Array, filled: int, gram: Array) -> None:
    """Fill `gram` with the products of the rows of `f`, an even number, over the first so many columns.

    Two by two: five times as fast as a general product of matrices so small.
    """
    for a in range(0, len(gram), 2):
        f_a, g_a = f[a], f[a + 1]
        for b in range(0, a + 2, 2):
            f_b, g_b = f[b], f[b + 1]
            ff, fg, gf, gg = 0.0, 0.0, 0.0, 0.0
            for k in range(filled):
                ff += f_a[k] * f_b[k]
                fg += f_a[k] * g_b[k]
                gf += g_a[k] * f_b[k]
                gg += g_a[k] * g_b[k]
            gram[a, b], gram[a, b + 1], gram[a + 1, b], gram[a + 1, b + 1] = ff, fg, gf, gg
            gram[b, a], gram[b + 1, a], gram[b, a + 1], gram[b + 1, a + 1] = ff, fg, gf, gg


@compiled
def _normal_equations(
    cell: Array,
    value: Array,
    radius_px: float,
    table: Array,
    which: Counts,
    factor: Array,
    variance: Array,
    slack: Array,
    kept: NDArray[np.bool_],
    normal: Array,
    right: Array,
) -> tuple[float, int, int]:
    """Sum up the normal equations at `value`; give the weighted sum of squares, the cells used and the strays.

    A cell off the model by more than MOST_SIGMAS times its noise plus its direction's `slack`, of the step, is left
    out; strays would be with FINE_SLACK. Where the slack is negative the choice that `kept` holds stands, else it is
    made anew and written there.
    """
    normal[:, :] = 0.0
    right[:] = 0.0
    chi_square, used, strays = 0.0, 0, 0
    f = np.empty((RADIAL + 1, BINS))
    local = np.empty(RADIAL)
    gram = np.empty((RADIAL + 1, RADIAL + 1))
    turned = np.empty((RADIAL, PARAMETERS))
    for direction in range(DIRECTIONS):
        turn = factor[direction]
        local[:] = 0.0
        for m in range(PARAMETERS):
            local[which[m]] += value[m] * turn[m]
        filled, astray = _fill_functions(
            cell[direction], kept[direction], local, value[DARK], value[CONTRAST], radius_px, table, variance,
            slack[direction], f,
        )  # fmt: skip
        used += filled
        strays += astray
        _multiply(f, filled, gram)
        chi_square += gram[RADIAL, RADIAL]
        for a in range(RADIAL):
            for m in range(PARAMETERS):
                turned[a, m] = gram[a, which[m]] * turn[m]
        for m in range(PARAMETERS):
            right[m] += gram[which[m], RADIAL] * turn[m]
            own, sums = turned[which[m]], normal[m]
            for k in range(PARAMETERS):
                sums[k] += turn[m] * own[k]
    return chi_square, used, strays


@compiled
def _choose_cells(
    cell: Array,
    value: Array,
    radius_px: float,
    table: Array,
    which: Counts,
    factor: Array,
    variance: Array,
    kept: NDArray[np.bool_],
    normal: Array,
    right: Array,
) -> tuple[float, int]:
    """Tell cells that do not fit (dust, a hot pixel) at a `value` near the truth, and sum up without them.

    In a direction that has such cells, and beside it, a second look is stricter: the rim of a speck stands out little.
    """
    slack = np.full(DIRECTIONS, FINE_SLACK)
    total, used, strays = _normal_equations(
        cell, value, radius_px, table, which, factor, variance, slack, kept, normal, right
    )
    if strays:
        slack[:] = -1.0
        for direction in range(DIRECTIONS):
            if not np.all(kept[direction]):
                slack[direction - 1] = slack[direction] = slack[(direction + 1) % DIRECTIONS] = STRICT_SLACK
        total, used, _ = _normal_equations(
            cell, value, radius_px, table, which, factor, variance, slack, kept, normal, right
        )
    return total, used


@compiled
def factorise(matrix: Array, upper: Array) -> bool:
    """Fill `upper` with Cholesky's factor U of a symmetric matrix U^T U; False where it is not positive."""
    size = len(matrix)
    for j in range(size):
        row = upper[j]
        row[:j] = 0.0
        row[j:] = matrix[j, j:]
        for k in range(j):
            above = upper[k]
            share = above[j]
            for i in range(j, size):
                row[i] -= share * above[i]
        if not row[j] > 0:
            return False
        scale = 1.0 / math.sqrt(row[j])
        for i in range(j, size):
            row[i] *= scale
    return True


@compiled
def solve_factorised(upper: Array, right: Array, solution: Array) -> None:
    """Solve U^T U solution = right."""
    size = len(right)
    solution[:] = right
    for j in range(size):
        solution[j] /= upper[j, j]
        for i in range(j + 1, size):
            solution[i] -= upper[j, i] * solution[j]
    for j in range(size - 1, -1, -1):
        total = solution[j]
        for i in range(j + 1, size):
            total -= upper[j, i] * solution[i]
        solution[j] = total / upper[j, j]


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
        (DIRECTIONS, BINS, CELL_COLUMNS): see `edge_bins`.
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
    damped, upper, change = np.empty((PARAMETERS, PARAMETERS)), np.empty((PARAMETERS, PARAMETERS)), np.empty(PARAMETERS)
    kept = np.ones((DIRECTIONS, BINS), dtype=np.bool_)
    value[:] = start
    slack = np.full(DIRECTIONS, -1.0 if near else COARSE_SLACK)
    settled = near
    damping = 1e-9 if near else 1e-4
    rested = False
    if near:
        total, used = _choose_cells(cell, value, radius_px, table, which, factor, variance, kept, normal, right)
        strays = 0
    else:
        total, used, strays = _normal_equations(
            cell, value, radius_px, table, which, factor, variance, slack, kept, normal, right
        )
    for _ in range(ITERATIONS):
        if used < 4 * PARAMETERS:
            return math.nan, used, False
        downhill = right - prior @ value
        damped[:, :] = normal
        damped += prior
        for m in range(PARAMETERS):
            damped[m, m] += damping * (normal[m, m] + 1e-12)
        if not factorise(damped, upper):
            return math.nan, used, False
        solve_factorised(upper, downhill, change)
        promised = float(np.sum(change * downhill))
        # where hardly any noise is left, what the model leaves stands for it
        scale = max(1.0, total / used)
        if not settled and promised < SETTLING * scale:
            # near enough to tell dust from edge; from here on the same cells are used
            settled = True
            slack[:] = -1.0
            if strays:
                total, used = _choose_cells(cell, value, radius_px, table, which, factor, variance, kept, normal, right)
                continue
        rested = settled and promised < REST * scale
        if rested:
            value += change
            break
        trial = value + change
        if trial[WIDTH] < NARROWEST:
            trial[WIDTH] = 0.5 * (value[WIDTH] + NARROWEST)
        trial_total, trial_used, trial_strays = _normal_equations(
            cell, trial, radius_px, table, which, factor, variance, slack, kept, trial_normal, trial_right
        )
        cost = (total + value @ prior @ value) / used
        trial_cost = (trial_total + trial @ prior @ trial) / max(trial_used, 1)
        # the weights follow the model, so a last step may cost a trace more
        if trial_used >= 4 * PARAMETERS and trial_cost <= cost * 1.01:
            value[:] = trial
            normal[:, :] = trial_normal
            right[:] = trial_right
            total, used, strays = trial_total, trial_used, trial_strays
            damping = max(damping * 0.1, 1e-9)
        else:
            damping = damping * 10
            if damping > 1e6:
                break
    covariance[:, :] = np.linalg.inv(normal + prior)
    return total / max(used - PARAMETERS, 1), used, rested
