"""Average a ring's pixels in cells of direction and distance: the data of the fit.

The steps of distance are 0.3 sigma of the blur near the edge, and six times as wide in the smooth tails. Each cell
keeps the mean and the variance of its pixels' distances, and their mean angle, so that uneven filling does no harm: the
model is evaluated at the mean distance and angle, plus half its second derivative times the variance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import part, part_in_any_order
from glasswright_camera.edges.kernel.ring import COS, DISTANCE, LIGHT, SIN, Disc, octant

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

DIRECTIONS: Final = 16
"""Sectors of the turn. The highest harmonic is 4; averaged over a sixteenth it loses 10 %, for which `angular_factors`
allows."""
CORE_STEP: Final = 0.056
CORE_REACH: Final = 1.12
TAIL_STEP: Final = 0.36
"""In units of 1/MTF50: steps of 0.3 of a Gaussian's sigma (0.187) out to 6 sigma, then wider ones."""
CORE_BINS: Final = 2 * round(CORE_REACH / CORE_STEP)
TAIL_BINS: Final = 8
BINS: Final = CORE_BINS + 2 * TAIL_BINS
"""Steps of distance. Core and tail together reach FITTED_REACH of `shapes`."""
LEAST_CELLS: Final = 8
"""Fewest cells with a known scatter from which a side's noise is estimated: half of one ring of directions. With fewer
it is estimated from whole rings, which need as many degrees of freedom."""
LEAST_TYPICAL: Final = 0.3
"""The typical scatter of a cell is the median, and at least this share of the mean. With one degree of freedom, the
fewest, the median of chi-square is 0.45 of its mean; it is 0 where most cells hold a single level."""
MOST_SCATTER: Final = 12.0
"""A cell is emptied if its scatter exceeds the typical one by this over the square root of its degrees of freedom: 8.5
standard deviations of chi-square."""
LEAST_VARIANCE: Final = 1e-12
"""Smallest pixel variance, of white squared: a fifteenth of a 16-bit level, squared."""
TAN_SIXTEENTH: Final = math.tan(math.pi / 8)
"""Slope of the line between two sixteenths of a turn."""

NUMBER, DISTANCE_MEAN, DISTANCE_VARIANCE, LIGHT_MEAN, SCATTER, PRODUCT, ANGLE_MEAN = 0, 1, 2, 3, 4, 5, 6
"""Columns of a cell: number of pixels; mean and variance of their distances, px and px^2; mean light; sum of squares of
light about a straight line over distance; sum of products of distance and light, from which that line is fitted; mean
angle of the pixels' normals from the middle of the direction, radian."""
SLOPED: Final = 4
"""In cells of fewer pixels the scatter is about the mean, not a line: a line through four leaves two degrees of
freedom."""
CELL_COLUMNS: Final = ANGLE_MEAN + 1


@part_in_any_order
def sixteenth(c: float, s: float) -> int:
    """Return which sixteenth of the turn a direction lies in, without its angle."""
    o = octant(c, s)
    low, high = min(abs(c), abs(s)), max(abs(c), abs(s))
    steep = low >= TAN_SIXTEENTH * high
    # odd octants run towards an axis, even ones away from it
    return 2 * o + (1 if steep == (o % 2 == 0) else 0)


@part_in_any_order
def find_bin(u: float) -> int:
    """Return the bin of a distance in units of 1/MTF50, -1 beyond the last."""
    if abs(u) < CORE_REACH:
        k = TAIL_BINS + int((u + CORE_REACH) * (1 / CORE_STEP))
        return min(max(k, TAIL_BINS), TAIL_BINS + CORE_BINS - 1)
    out = int((abs(u) - CORE_REACH) * (1 / TAIL_STEP))
    if out >= TAIL_BINS:
        return -1
    return TAIL_BINS - 1 - out if u < 0 else TAIL_BINS + CORE_BINS + out


@part_in_any_order
def gather(pixel: Array, move: Array, disc: Disc, scale: float, cell: Array) -> None:
    """Average pixels in cells.

    Parameters
    ----------
    pixel
        (pixels, COLUMNS) of one plane, from `collect_ring`.
    move
        (2,) px: the disc's centre less the centre that `collect_ring` used; at most a pixel or two, as distances are
        corrected to second order.
    disc
        Directions are counted from its image radius.
    scale
        A guess of 1/MTF50, px: the unit of the cells' steps.
    cell
        Filled: (DIRECTIONS, BINS, CELL_COLUMNS).
    """
    cell[:, :, :] = 0.0
    per_scale = 1 / scale
    turn_c, turn_s = math.cos(disc.radial), math.sin(disc.radial)
    middle = (np.arange(DIRECTIONS) + 0.5) * (2 * math.pi / DIRECTIONS)
    middle_c, middle_s = np.cos(middle), np.sin(middle)
    distance, along, around = np.empty(len(pixel)), np.empty(len(pixel)), np.empty(len(pixel))
    # in a loop of its own this vectorises
    for i in range(len(pixel)):
        c, s = pixel[i, COS], pixel[i, SIN]
        across = c * move[1] - s * move[0]
        turned = across / (disc.radius_px + pixel[i, DISTANCE])
        distance[i] = pixel[i, DISTANCE] - c * move[0] - s * move[1] + 0.5 * across * turned
        c, s = c + s * turned, s - c * turned
        along[i], around[i] = c * turn_c + s * turn_s, s * turn_c - c * turn_s
    for i in range(len(pixel)):
        k = find_bin(distance[i] * per_scale)
        if k < 0:
            continue
        direction = sixteenth(along[i], around[i])
        add_pixel(cell[direction, k], distance[i], pixel[i, LIGHT])
        # the angle is small: its sine equals it within half a percent
        cell[direction, k, ANGLE_MEAN] += around[i] * middle_c[direction] - along[i] * middle_s[direction]
    average_cells(cell)


@part_in_any_order
def add_pixel(own: Array, distance: float, light: float) -> None:
    """Add a pixel to the sums of a cell, (CELL_COLUMNS,)."""
    own[NUMBER] += 1.0
    own[DISTANCE_MEAN] += distance
    own[DISTANCE_VARIANCE] += distance * distance
    own[LIGHT_MEAN] += light
    own[SCATTER] += light * light
    own[PRODUCT] += distance * light


@part_in_any_order
def average_cells(cell: Array) -> None:
    """Turn sums into means, variance and scatter."""
    for direction in range(DIRECTIONS):
        for k in range(BINS):
            own = cell[direction, k]
            n = own[NUMBER]
            if n < 1:
                continue
            own[DISTANCE_MEAN] /= n
            own[LIGHT_MEAN] /= n
            own[ANGLE_MEAN] /= n
            spread = max(own[DISTANCE_VARIANCE] - n * own[DISTANCE_MEAN] ** 2, 0.0)
            shared = own[PRODUCT] - n * own[DISTANCE_MEAN] * own[LIGHT_MEAN]
            own[DISTANCE_VARIANCE] = spread / n
            own[SCATTER] -= n * own[LIGHT_MEAN] ** 2
            if n >= SLOPED and spread > 0:
                own[SCATTER] -= shared * shared / spread


@part
def _freedom(pixels: float) -> float:
    """Degrees of freedom of a cell's scatter."""
    return pixels - 2 if pixels >= SLOPED else pixels - 1


@part
def _ring_variance(cell: Array) -> float:
    """Return the variance of pixels about the mean light of their ring, all directions together; NaN if too few.

    In a small disc most cells of a plane with every fourth pixel hold one pixel or none.
    """
    spread, freedom = 0.0, 0.0
    for k in range(cell.shape[1]):
        number, light, square = 0.0, 0.0, 0.0
        for direction in range(DIRECTIONS):
            own = cell[direction, k]
            if own[NUMBER] >= 1:
                number += own[NUMBER]
                light += own[NUMBER] * own[LIGHT_MEAN]
                square += own[SCATTER] + own[NUMBER] * own[LIGHT_MEAN] ** 2
        if number >= 2:
            spread += max(square - light * light / number, 0.0)
            freedom += number - 1
    return max(spread / freedom, LEAST_VARIANCE) if freedom >= LEAST_CELLS else math.nan


@part
def plateau_variance(cell: Array, variance: Array) -> None:
    """Fill the pixel variance of the dark and of the light side, (2,), from the scatter within the tails' cells.

    A cell that scatters far more than the median of its side (dust, a hot pixel) is emptied. Even cells of a few pixels
    each together have many degrees of freedom.
    """
    for side in range(2):
        first = 0 if side == 0 else TAIL_BINS + CORE_BINS
        scatter = np.empty(DIRECTIONS * TAIL_BINS)
        at = 0
        for direction in range(DIRECTIONS):
            for k in range(first, first + TAIL_BINS):
                freedom = _freedom(cell[direction, k, NUMBER])
                if freedom >= 1:
                    scatter[at] = cell[direction, k, SCATTER] / freedom
                    at += 1
        if at < LEAST_CELLS:
            variance[side] = _ring_variance(cell[:, first : first + TAIL_BINS])
            continue
        typical = max(np.median(scatter[:at]), LEAST_TYPICAL * np.mean(scatter[:at]))
        spread, freedoms = 0.0, 0.0
        for direction in range(DIRECTIONS):
            for k in range(first, first + TAIL_BINS):
                freedom = _freedom(cell[direction, k, NUMBER])
                if freedom < 1:
                    continue
                own = cell[direction, k, SCATTER]
                if own > typical * freedom * (1 + MOST_SCATTER / math.sqrt(freedom)) + LEAST_VARIANCE:
                    cell[direction, k, NUMBER] = 0.0
                else:
                    spread += own
                    freedoms += freedom
        variance[side] = max(spread / max(freedoms, 1.0), LEAST_VARIANCE)
