"""The ring's pixels gathered by direction and distance: what the fit looks at.

Near the edge the steps of distance are a fifth of the blur's sigma, in the tails, where nothing is sharp, seven times
as wide. Each cell keeps the mean of its own pixels' distances, so that uneven filling does not matter; what is left
of the binning is a blur of variance step^2 / 12 near the edge, which `edge_table` takes off.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled
from glasswright_camera.edge_ring import COS, DISTANCE, LIGHT, SIN, octant

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

DIRECTIONS: Final = 16
CORE_STEP: Final = 0.04
CORE_REACH: Final = 1.12
TAIL_STEP: Final = 0.288
"""In units of 1/MTF50, as is FITTED_REACH of `edge_shapes`."""
CORE_BINS: Final = 2 * round(CORE_REACH / CORE_STEP)
TAIL_BINS: Final = 10
LEAST_CELLS: Final = 8
BINS: Final = CORE_BINS + 2 * TAIL_BINS
TAN_SIXTEENTH: Final = math.tan(math.pi / 8)

NUMBER, SUM_DISTANCE, SUM_LIGHT, SUM_SQUARE = 0, 1, 2, 3


@compiled
def sixteenth(c: float, s: float) -> int:
    """Give which sixteenth of the turn a direction lies in, without its angle."""
    o = octant(c, s)
    low, high = min(abs(c), abs(s)), max(abs(c), abs(s))
    steep = low >= TAN_SIXTEENTH * high
    # odd octants run towards an axis, even ones away from it
    return 2 * o + (1 if steep == (o % 2 == 0) else 0)


@compiled
def find_bin(u: float) -> int:
    """Give the bin of a distance in units of 1/MTF50; -1 beyond the last."""
    if abs(u) < CORE_REACH:
        k = TAIL_BINS + int((u + CORE_REACH) * (1 / CORE_STEP))
        return min(max(k, TAIL_BINS), TAIL_BINS + CORE_BINS - 1)
    out = int((abs(u) - CORE_REACH) * (1 / TAIL_STEP))
    if out >= TAIL_BINS:
        return -1
    return TAIL_BINS - 1 - out if u < 0 else TAIL_BINS + CORE_BINS + out


@compiled
def gather(pixel: Array, count: int, move: Array, radius_px: float, radial: float, scale: float, cell: Array) -> None:
    """Gather pixels into cells.

    Parameters
    ----------
    pixel, count
        As `collect_ring` filled it: distance, normal and light.
    move
        (2,) px: the disc's centre from that centre; a pixel or two, for distances are moved to second order.
    radius_px
        The disc's radius.
    radial
        Direction of the image radius, from which directions are counted.
    scale
        1/MTF50 in px, as guessed: the unit of the cells' steps.
    cell
        Filled: (DIRECTIONS, BINS, 4) number of pixels and sums of distance, light and light squared.
    """
    cell[:, :, :] = 0.0
    per_scale = 1 / scale
    turn_c, turn_s = math.cos(radial), math.sin(radial)
    for i in range(count):
        c, s = pixel[i, COS], pixel[i, SIN]
        across = c * move[1] - s * move[0]
        turned = across / (radius_px + pixel[i, DISTANCE])
        d = pixel[i, DISTANCE] - c * move[0] - s * move[1] + 0.5 * across * turned
        k = find_bin(d * per_scale)
        if k < 0:
            continue
        c, s = c + s * turned, s - c * turned
        direction = sixteenth(c * turn_c + s * turn_s, s * turn_c - c * turn_s)
        light = pixel[i, LIGHT]
        cell[direction, k, NUMBER] += 1.0
        cell[direction, k, SUM_DISTANCE] += d
        cell[direction, k, SUM_LIGHT] += light
        cell[direction, k, SUM_SQUARE] += light * light


@compiled
def plateau_variance(cell: Array, variance: Array) -> None:
    """Pixel variance on the dark and on the light side, from the scatter within the tails' cells.

    A cell that scatters far more than the middle one of its side (dust, a hot pixel) is emptied. Where the disc is
    small and the plane sparse, cells of a few pixels each still hold many degrees of freedom together.
    """
    for side in range(2):
        first = 0 if side == 0 else TAIL_BINS + CORE_BINS
        scatter = np.empty(DIRECTIONS * TAIL_BINS)
        at = 0
        for direction in range(DIRECTIONS):
            for k in range(first, first + TAIL_BINS):
                n = cell[direction, k, NUMBER]
                if n >= 2:
                    scatter[at] = (cell[direction, k, SUM_SQUARE] - cell[direction, k, SUM_LIGHT] ** 2 / n) / (n - 1)
                    at += 1
        if at < LEAST_CELLS:
            variance[side] = math.nan
            continue
        # the median of a few degrees of freedom lies below their mean; a margin is left for it
        usual = max(np.median(scatter[:at]), 0.3 * np.mean(scatter[:at]))
        spread, freedom = 0.0, 0.0
        for direction in range(DIRECTIONS):
            for k in range(first, first + TAIL_BINS):
                n = cell[direction, k, NUMBER]
                if n < 2:
                    continue
                own = cell[direction, k, SUM_SQUARE] - cell[direction, k, SUM_LIGHT] ** 2 / n
                if own > usual * (n - 1) * (1 + 12 / math.sqrt(n - 1)) + 1e-14:
                    cell[direction, k, NUMBER] = 0.0
                else:
                    spread += own
                    freedom += n - 1
        variance[side] = max(spread / max(freedom, 1.0), 1e-12)
