"""Pixels about a straight edge, and the fit of its blur, with the kernel of the discs.

In place of a disc's sixteen directions there are sixteen blocks along the edge. The edge may be tilted and curved
(distortion), the light may slope along and across it, and the blur has one width and one shape. All else is as with
discs: cells by distance, the same shapes, the same fit.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.compiled import compiled, part
from glasswright_camera.edges.kernel.bins import (
    BINS,
    CELL_COLUMNS,
    DIRECTIONS,
    add_pixel,
    average_cells,
    find_bin,
    plateau_variance,
)
from glasswright_camera.edges.kernel.discs import (
    LEAST_QUALITY,
    LEAST_UNIT,
    MEASURED,
    MOST_LEFT_OUT,
    MOST_UNIT,
    NO_EDGE,
    NO_LEVEL,
    NOT_CONVERGED,
    REJECTED,
    ROUNDS,
    SHARPEST,
    TOO_SHARP,
)
from glasswright_camera.edges.kernel.equations import FitData
from glasswright_camera.edges.kernel.fit import fit_edge
from glasswright_camera.edges.kernel.harmonics import HARMONIC_POINTS
from glasswright_camera.edges.kernel.parameters import (
    CONTRAST,
    DARK,
    EVEN_0,
    EVEN_2,
    GRADIENT_X,
    GRADIENT_Y,
    ODD_C1,
    ODD_C3,
    PARAMETERS,
    SHIFT,
    SHIFT_C2,
    SHIFT_X,
    SHIFT_Y,
    WIDTH,
    WIDTH_C2,
    angular_factors,
)
from glasswright_camera.edges.kernel.ring import LEAST_STEP, TAIL, Frame, sigma_of
from glasswright_camera.edges.kernel.shapes import GAUSSIAN_SIGMA

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

ALONG, DISTANCE, LIGHT = 0, 1, 2
"""Columns of a pixel: place along the edge in half lengths, distance from the edge in px, light."""

SETTLED_PX: Final = 0.02
"""A fit that moves its edge farther is done again about the new line: a fifth of a core step of `bins` at MTF50 0.5."""


class Strip(NamedTuple):
    """What belongs to one straight edge."""

    middle: Array
    """(2,) px: the edge's middle."""
    normal: Array
    """(2,): unit vector towards the light side."""
    half_length: float
    inner: float
    outer: float
    """How far the strip reaches along the edge to either side, into the dark and into the light, px."""


@compiled
def collect_strip(frame: Frame, strip: Strip, pixel: Array, count: Counts) -> None:
    """Collect the pixels about a straight edge, by colour plane.

    `pixel`, (planes, rows, 3), and the number of rows filled, `count`, (planes,), are filled. Clipped pixels are left
    out.
    """
    values, pattern, black, white = frame.values, frame.pattern, frame.black, frame.white
    middle, normal, half_length, inner, outer = strip.middle, strip.normal, strip.half_length, strip.inner, strip.outer
    channels, height, width = values.shape
    rows, columns = pattern.shape[1], pattern.shape[2]
    count[:] = 0
    reach = max(inner, outer)
    half_x = abs(normal[1]) * half_length + abs(normal[0]) * reach + 1
    half_y = abs(normal[0]) * half_length + abs(normal[1]) * reach + 1
    for y in range(max(0, math.ceil(middle[1] - half_y)), min(height, math.floor(middle[1] + half_y) + 1)):
        for x in range(max(0, math.ceil(middle[0] - half_x)), min(width, math.floor(middle[0] + half_x) + 1)):
            px, py = x - middle[0], y - middle[1]
            d = px * normal[0] + py * normal[1]
            along = (py * normal[0] - px * normal[1]) / half_length
            if d < -inner or d > outer or abs(along) >= 1.0:
                continue
            for channel in range(channels):
                raw = values[channel, y, x]
                if raw >= white:
                    continue
                plane = pattern[channel, y % rows, x % columns]
                dark = black[channel, y % rows, x % columns]
                at = count[plane]
                pixel[plane, at, ALONG], pixel[plane, at, DISTANCE] = along, d
                pixel[plane, at, LIGHT] = (raw - dark) / (white - dark)
                count[plane] = at + 1


@part
def look_at_strip(pixel: Array, inner: float, outer: float, look: Array) -> bool:
    """Fill `look`, (4,): dark, light, place and sigma, as in `first_look`; False without an edge."""
    bins = max(int(inner + outer), 2)
    total, number = np.zeros(bins), np.zeros(bins)
    for i in range(len(pixel)):
        k = min(max(int(pixel[i, DISTANCE] + inner), 0), bins - 1)
        total[k] += pixel[i, LIGHT]
        number[k] += 1
    end = max(1, bins // 6)
    if np.sum(number[:end]) < 8 or np.sum(number[bins - end :]) < 8:
        return False
    look[0] = np.sum(total[:end]) / np.sum(number[:end])
    look[1] = np.sum(total[bins - end :]) / np.sum(number[bins - end :])
    if look[1] - look[0] < LEAST_STEP:
        return False
    width, look[2] = 0.0, -inner
    for k in range(bins):
        e = 0.0 if k < bins // 2 else 1.0
        if number[k] > 0:
            e = (total[k] / number[k] - look[0]) / (look[1] - look[0])
        look[2] += 1.0 - e
        width += max(e * (1.0 - e) - TAIL, 0.0)
    look[3] = sigma_of(width, inner + outer)
    return True


@part
def slanted_factors(which: Counts, factor: Array) -> None:
    """Fill the factors of the parameters by block: see `angular_factors`.

    The shift's harmonic 1 stands for t and t^2 - 1/3 along the edge, t from -1 to 1; the light's slopes are along t and
    across the edge. All other angular terms have the factor 0, except one odd term of each shape.
    """
    angular_factors(which, factor)
    factor[:, SHIFT_C2:WIDTH] = 0.0
    factor[:, WIDTH_C2:EVEN_0] = 0.0
    factor[:, EVEN_2:ODD_C1] = 0.0
    factor[:, ODD_C1:PARAMETERS] = 0.0
    factor[:, ODD_C1:ODD_C3] = 1.0
    for block in range(DIRECTIONS):
        t = (block + 0.5) / DIRECTIONS * 2 - 1
        factor[block, GRADIENT_X], factor[block, GRADIENT_Y] = t, 1.0
        factor[block, SHIFT_X], factor[block, SHIFT_Y] = t, t * t - 1 / 3


@part
def gather_strip(pixel: Array, shift: Array, scale: float, cell: Array) -> None:
    """Average pixels in cells of block along the edge and distance less `shift` (constant, t, t^2 - 1/3)."""
    cell[:, :, :] = 0.0
    for i in range(len(pixel)):
        t, light = pixel[i, ALONG], pixel[i, LIGHT]
        d = pixel[i, DISTANCE] - shift[0] - shift[1] * t - shift[2] * (t * t - 1 / 3)
        k = find_bin(d / scale)
        if k < 0:
            continue
        block = min(int((t + 1) * 0.5 * DIRECTIONS), DIRECTIONS - 1)
        add_pixel(cell[block, k], d, light)
    average_cells(cell)


@compiled
def fit_strip(
    pixel: Array, strip: Strip, table: Array, prior: Array, value: Array, covariance: Array, place: Array
) -> int:
    """Fit a straight edge in one plane, repeatedly about the line found; return its ending (see `kernel.discs`).

    `value` and `covariance` are filled as by `fit_edge`, `place`, (3,), with the shift along the edge (constant, t,
    t^2 - 1/3).
    """
    look = np.empty(4)
    if not look_at_strip(pixel, strip.inner, strip.outer, look):
        return NO_EDGE
    which, factor = np.empty(PARAMETERS, dtype=np.int64), np.empty((DIRECTIONS, PARAMETERS))
    slanted_factors(which, factor)
    cell, variance, start = np.empty((DIRECTIONS, BINS, CELL_COLUMNS)), np.empty(2), np.zeros(PARAMETERS)
    added = np.zeros((DIRECTIONS, HARMONIC_POINTS))
    data = FitData(cell, max(strip.inner, strip.outer), table, which, factor, np.zeros_like(factor), variance, added)
    information = np.zeros(PARAMETERS)
    unit = look[3] / GAUSSIAN_SIGMA
    start[DARK], start[CONTRAST], start[WIDTH] = look[0], look[1] - look[0], unit**2
    place[0], place[1], place[2] = look[2], 0.0, 0.0
    for turn in range(ROUNDS):
        gather_strip(pixel, place, unit, cell)
        plateau_variance(cell, variance)
        if not (variance[0] > 0 and variance[1] > 0):
            return NO_LEVEL
        quality, _misfit, lost, converged = fit_edge(data, start, prior, information, turn > 0, value, covariance)
        if value[WIDTH] < SHARPEST:
            return TOO_SHARP
        if not converged or not value[CONTRAST] > 0:
            return NOT_CONVERGED
        if lost > MOST_LEFT_OUT:
            return REJECTED
        place += value[SHIFT:SHIFT_C2]
        grown = math.sqrt(value[WIDTH]) / unit
        moved = np.max(np.abs(value[SHIFT:SHIFT_C2]))
        if turn > 0 and moved < SETTLED_PX and LEAST_UNIT < grown < MOST_UNIT:
            break
        start[:] = value
        start[SHIFT:SHIFT_C2] = 0.0
        unit = math.sqrt(value[WIDTH])
    covariance *= max(quality, LEAST_QUALITY)
    return MEASURED
