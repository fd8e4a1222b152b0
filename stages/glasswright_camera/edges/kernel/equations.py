"""The normal equations of an edge's fit.

Within a direction each column of the Jacobian is a function of distance times a constant. Summing the products over
distance first makes the sums fast.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.compiled import part, part_in_any_order
from glasswright_camera.edges.kernel.bins import (
    ANGLE_MEAN,
    BINS,
    DIRECTIONS,
    DISTANCE_MEAN,
    DISTANCE_VARIANCE,
    LIGHT_MEAN,
    NUMBER,
)
from glasswright_camera.edges.kernel.harmonics import HARMONIC_POINTS, HARMONIC_STEP
from glasswright_camera.edges.kernel.parameters import PARAMETERS, RADIAL_COUNT, SHAPE_COUNT
from glasswright_camera.edges.kernel.shapes import FITTED_REACH, REACH, SECOND_DERIVATIVE, STEP

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

MOST_SIGMAS: Final = 6.0
FINE_SLACK: Final = 0.015
"""A cell is left out if it deviates from the model by more than MOST_SIGMAS times its noise plus FINE_SLACK of the
step, an allowance for blurs that the shapes do not describe. By chance 6 sigma rejects a cell in one of 500,000 edges
of 900 cells; the family's blurs stay within the slack."""

CELL_REACH: Final = 1.2 * FITTED_REACH
"""Largest distance from the edge of a cell that is used, in 1/MTF50. Cells reach to FITTED_REACH for a width that was
estimated; for the fitted one they may lie farther out. The shapes' table ends at REACH."""
PRODUCTS: Final = (RADIAL_COUNT + 2) // 2 * 2
"""Rows of functions and the residual, rounded up to an even number, as `_multiply` takes them in pairs."""


class FitData(NamedTuple):
    """Data and tables of a fit; a named tuple, as compiled code needs."""

    cell: Array
    """(DIRECTIONS, BINS, CELL_COLUMNS): see `bins`."""
    radius_px: float
    table: Array
    """Shapes: see `EdgeShapes`."""
    which: Counts
    factor: Array
    """See `angular_factors`."""
    slope: Array
    """See `factor_slopes`."""
    variance: Array
    """(2,): of a pixel, on the dark and on the light side."""
    added: Array
    """(DIRECTIONS, HARMONIC_POINTS): light to add to the model, of the edge's step; see `harmonics`."""


@part_in_any_order
def _fill_functions(
    data: FitData,
    direction: int,
    kept: NDArray[np.bool_],
    local: Array,
    slack: float,
    f: Array,
) -> tuple[int, int, int]:
    """Fill the functions of distance and the residual of each used cell of a direction, over the cell's noise.

    Parameters
    ----------
    local
        (2, RADIAL_COUNT): the direction's parameters, and their derivatives by direction, per radian.
    f
        Filled: (RADIAL_COUNT + 1, BINS), the residual last.

    Returns
    -------
    tuple
        The numbers of cells used, of cells left out, and of cells that deviate by more than FINE_SLACK allows.
    """
    cells, added, table, variance = data.cell[direction], data.added[direction], data.table, data.variance
    per_radius, per_step, last = 1.0 / data.radius_px, 1.0 / STEP, table.shape[0] - 2
    own, turning = local[0], local[1]
    dark, contrast = own[0], own[1]
    filled, lost, strays = 0, 0, 0
    # square roots and quotients in a loop of their own, which vectorises
    rates = np.empty(BINS)
    for k in range(BINS):
        rates[k] = 1.0 / math.sqrt(max(own[4] + cells[k, ANGLE_MEAN] * turning[4], 1.0))
    for k in range(BINS):
        n = cells[k, NUMBER]
        if n < 1:
            continue
        d, angle = cells[k, DISTANCE_MEAN], cells[k, ANGLE_MEAN]
        rate = rates[k]
        u = (d - own[3] - angle * turning[3]) * rate
        if abs(u) > CELL_REACH:
            continue
        place = (u + REACH) * per_step
        i = min(max(int(place), 0), last)
        t = place - i
        low, high = table[i], table[i + 1]
        slope = high[0] - low[0]
        e = low[0] + t * slope
        second = low[SECOND_DERIVATIVE] + t * (high[SECOND_DERIVATIVE] - low[SECOND_DERIVATIVE])
        e += 0.5 * rate * rate * cells[k, DISTANCE_VARIANCE] * second
        coarse = place * (STEP / HARMONIC_STEP)
        m = min(max(int(coarse), 0), HARMONIC_POINTS - 2)
        e += added[m] + (coarse - m) * (added[m + 1] - added[m])
        for j in range(SHAPE_COUNT):
            rise = high[1 + j] - low[1 + j]
            shape = low[1 + j] + t * rise
            f[5 + j, filled] = shape
            amount = own[5 + j] + angle * turning[5 + j]
            e += amount * shape
            slope += amount * rise
        arm = 1.0 + d * per_radius
        gain = 1.0 + (own[2] + angle * turning[2]) * arm
        light = dark + contrast * e
        residual = cells[k, LIGHT_MEAN] - gain * light
        weight = math.sqrt(n / (variance[0] + (variance[1] - variance[0]) * min(max(e, 0.0), 1.0)))
        strays += (abs(residual) - FINE_SLACK * contrast) * weight > MOST_SIGMAS
        if slack >= 0:
            kept[k] = (abs(residual) - slack * contrast) * weight <= MOST_SIGMAS
        if not kept[k]:
            lost += 1
            continue
        tall = weight * gain * contrast
        move = -tall * slope * per_step * rate
        f[0, filled] = weight * gain
        f[1, filled] = weight * gain * e
        f[2, filled] = weight * arm * light
        f[3, filled] = move
        f[4, filled] = 0.5 * move * u * rate
        for j in range(SHAPE_COUNT):
            f[5 + j, filled] *= tall
        f[RADIAL_COUNT, filled] = weight * residual
        filled += 1
    return filled, lost, strays


@part_in_any_order
def _multiply(f: Array, filled: int, gram: Array) -> None:
    """Fill `gram` with the products of the rows of `f` over the first `filled` columns; rows are even in number.

    Taken two by two, which is five times as fast as a general product of such small matrices.
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


@part
def normal_equations(
    data: FitData,
    value: Array,
    slack: Array,
    kept: NDArray[np.bool_],
    normal: Array,
    right: Array,
) -> tuple[float, int, int, int]:
    """Sum up the normal equations at `value`; return chi-square, cells used and left out, and strays.

    A cell that deviates by more than MOST_SIGMAS times its noise plus its direction's `slack`, of the step, is left
    out, and the choice written to `kept`. Where the slack is negative, `kept` is used as it is. Strays are the cells
    that FINE_SLACK would leave out."""
    normal[:, :] = 0.0
    right[:] = 0.0
    chi_square, used, lost, strays = 0.0, 0, 0, 0
    which = data.which
    f = np.zeros((PRODUCTS, BINS))
    local = np.empty((2, RADIAL_COUNT))
    gram = np.empty((PRODUCTS, PRODUCTS))
    turned = np.empty((RADIAL_COUNT, PARAMETERS))
    for direction in range(DIRECTIONS):
        factors, slopes = data.factor[direction], data.slope[direction]
        local[:, :] = 0.0
        for m in range(PARAMETERS):
            local[0, which[m]] += value[m] * factors[m]
            local[1, which[m]] += value[m] * slopes[m]
        filled, left_out, astray = _fill_functions(data, direction, kept[direction], local, slack[direction], f)
        used += filled
        lost += left_out
        strays += astray
        _multiply(f, filled, gram)
        chi_square += gram[RADIAL_COUNT, RADIAL_COUNT]
        for a in range(RADIAL_COUNT):
            for m in range(PARAMETERS):
                turned[a, m] = gram[a, which[m]] * factors[m]
        for m in range(PARAMETERS):
            right[m] += gram[which[m], RADIAL_COUNT] * factors[m]
            own, sums = turned[which[m]], normal[m]
            for k in range(m + 1):
                sums[k] += factors[m] * own[k]
    for m in range(PARAMETERS):
        for k in range(m):
            normal[k, m] = normal[m, k]
    return chi_square, used, lost, strays
