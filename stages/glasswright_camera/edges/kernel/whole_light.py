"""The light of a small, strongly blurred disc: its pixels, and what they are expected to have.

Let the disc's outline on the sensor be an ellipse ``y(t)``, t = 0 ... 2 pi, and h the point spread function, with the
transfer function ``T(sqrt(n W n) f)`` in direction n: a round one stretched by the matrix W. In coordinates in which W
is the identity, with the pixel as the origin,

    z(t) = W^(-1/2) (y(t) - x),   D(x) = int_inside h = 1 / (2 pi) closed-int H(|z|) dtheta

is the share of light that the disc removes from the pixel at x, with H(r) the encircled energy and theta the direction
of z. (Gauss's theorem for the radial field ``H(r) / (2 pi r)``, whose divergence is h.) A parameter p moves the outline
by v = dz/dp in these coordinates, so

    dD/dp = closed-int h(|z|) (v x z') dt.

Both integrands are smooth and periodic, so a sum over a few dozen points is exact (Trefethen and Weideman 2014, The
exponentially convergent trapezoidal rule). Ellipses and stretched blurs take no longer than circles.

h and H come from `edge_shapes`. The prior of a blur is therefore the same as at an edge, and W is 1/MTF50^2 by
direction.

Coordinates are along and across the image radius, parameters those of `parameters`.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.special import j0, j1

from glasswright_camera.compiled import part, part_in_any_order
from glasswright_camera.edges.kernel.curved import sample_transfer
from glasswright_camera.edges.kernel.parameters import (
    CONTRAST,
    DARK,
    GRADIENT_X,
    GRADIENT_Y,
    SHIFT,
    SHIFT_C2,
    SHIFT_S2,
    SHIFT_X,
    SHIFT_Y,
    WIDTH,
    WIDTH_C2,
    WIDTH_S2,
)
from glasswright_camera.edges.kernel.ring import Disc, Frame, edge_distance, gain_at
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, edge_shapes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

SPREAD_STEP: Final = 0.005
SPREAD_REACH: Final = 6.0
"""Step and reach of the table of h and H, in units of 1/MTF50; beyond it the energy is constant."""
ENERGY: Final = 1 + EVEN_COUNT
"""First of the table's columns of H / (2 pi r^2); those before it hold h; each of the mean and the components."""
POINTS_PER_BLUR: Final = 4.0
LEAST_POINTS: Final = 12
"""Points on the outline per 1/MTF50 of its length, and the fewest: with 4, a step is 1.3 of a Gaussian's sigma."""
ROUND: Final = WIDTH + 3
WHOLE: Final = ROUND + EVEN_COUNT
"""Parameters fitted: light, its slope, shift and width as at an edge, without the width's harmonic 4; then the even
shapes' harmonic 0."""
X, Y, LIGHT, DISTANCE, COLUMNS = 0, 1, 2, 3, 4
"""Columns of a pixel: place along and across the image radius, light, and distance from the edge."""
MOVES: Final = 8
"""Parameters that move the outline in the pixel's coordinates: centre, radius, ellipse, width."""
PLACE, FIXED, ALONG, ACROSS, PER_POINT = 0, 4, 4 + MOVES, 4 + 2 * MOVES, 4 + 3 * MOVES
"""Columns of a point of the outline; see `_outline`."""
LITTLE: Final = 1e-4
"""Relative step of the numerical derivative by width: its square and rounding are below 1e-7 of the slope."""
FLAT: Final = 0.04
"""Share of the step within which light counts as that of the paper, or of the disc's middle."""


@cache
def spread_table() -> Array:
    """Return h and H / (2 pi r^2) of the mean blur and its components: (points, 2 (1 + EVEN_COUNT)); computed once.

    h(r) = 2 pi int f T J0(2 pi r f) df and H(r) = 2 pi r int T J1(2 pi r f) df (Hankel transforms; Bracewell, The
    Fourier Transform and Its Applications; from memory), at r = 0, SPREAD_STEP ... SPREAD_REACH.
    """
    shapes = edge_shapes()
    level = np.zeros(1 + EVEN_COUNT)
    level[0] = 1.0
    fine, transfer = sample_transfer(SPREAD_REACH, shapes.frequency, shapes.transfer[: 1 + EVEN_COUNT], level)
    step = fine[1] - fine[0]
    place = np.arange(0.0, SPREAD_REACH + SPREAD_STEP / 2, SPREAD_STEP)
    phase = 2 * np.pi * place[:, None] * fine
    density = (j0(phase) * (2 * np.pi * fine * step)) @ transfer
    # J1(x) / x is one half at 0
    per_phase = np.divide(j1(phase), phase, out=np.full_like(phase, 0.5), where=phase > 0)
    energy = (per_phase * (2 * np.pi * fine * step)) @ transfer
    return np.ascontiguousarray(np.hstack([density, energy]))


@part
def collect_disc(frame: Frame, disc: Disc, outer: float, pixel: Array, count: Counts, clipped: Counts) -> None:
    """Collect the pixels of a disc and of the paper around it, by colour plane.

    Parameters are those of `collect_ring`. `pixel`, (planes, rows, COLUMNS), is filled; clipped pixels are left out and
    their number filled in `clipped`, (planes,).
    """
    values, pattern, black, white = frame.values, frame.pattern, frame.black, frame.white
    centre, inverse, radius, gain = disc.centre, disc.inverse, disc.radius_mm, disc.gain
    channels, height, width = values.shape
    rows, columns = pattern.shape[1], pattern.shape[2]
    count[:] = 0
    clipped[:] = 0
    turn_c, turn_s = math.cos(disc.radial), math.sin(disc.radial)
    det = abs(inverse[0, 0] * inverse[1, 1] - inverse[0, 1] * inverse[1, 0])
    half_x = radius * math.hypot(inverse[1, 1], inverse[0, 1]) / det + outer
    half_y = radius * math.hypot(inverse[0, 0], inverse[1, 0]) / det + outer
    for y in range(max(0, math.ceil(centre[1] - half_y)), min(height, math.floor(centre[1] + half_y) + 1)):
        py = y - centre[1]
        for x in range(max(0, math.ceil(centre[0] - half_x)), min(width, math.floor(centre[0] + half_x) + 1)):
            px = x - centre[0]
            distance, _, _ = edge_distance(px, py, inverse, radius)
            if distance > outer:
                continue
            for channel in range(channels):
                raw = values[channel, y, x]
                plane = pattern[channel, y % rows, x % columns]
                if raw >= white:
                    clipped[plane] += 1
                    continue
                if count[plane] >= pixel.shape[1]:
                    continue
                dark = black[channel, y % rows, x % columns]
                own = pixel[plane, count[plane]]
                own[X], own[Y] = px * turn_c + py * turn_s, py * turn_c - px * turn_s
                own[LIGHT] = (raw - dark) / (white - dark) / gain_at(gain[plane], px, py)
                own[DISTANCE] = distance
                count[plane] += 1


@part
def _inverse_root(mean: float, along: float, cross: float) -> Array:
    """Return W^(-1/2) of W = mean + [[along, cross], [cross, -along]]."""
    det = math.sqrt(mean * mean - along * along - cross * cross)
    share = 1.0 / (det * math.sqrt(2 * (mean + det)))
    # the root is (W + det) / sqrt(trace + 2 det), its determinant det (Cayley and Hamilton)
    inverse = np.empty((2, 2))
    inverse[0, 0], inverse[1, 1] = (mean - along + det) * share, (mean + along + det) * share
    inverse[0, 1] = inverse[1, 0] = -cross * share
    return inverse


@part
def _outline(value: Array, radius_px: float, circle: Array, points: int, outline: Array) -> None:
    """Fill the terms of the sums for each point of the outline, (points + 1, PER_POINT); the last row holds W^(-1/2).

    For a point y and a pixel x, ``z x z' = (y - x) . [PLACE + 2]``, and ``v x z'`` of the MOVES parameters is
    ``[FIXED] + (y - x) . ([ALONG], [ACROSS])``.
    """
    root = _inverse_root(value[WIDTH], value[WIDTH_C2], value[WIDTH_S2])
    det = root[0, 0] * root[1, 1] - root[0, 1] * root[1, 0]
    little = LITTLE * value[WIDTH]
    slopes = np.empty((3, 2, 2))
    for k in range(3):
        more, less = value[WIDTH:ROUND].copy(), value[WIDTH:ROUND].copy()
        more[k] += little
        less[k] -= little
        slopes[k] = (_inverse_root(more[0], more[1], more[2]) - _inverse_root(less[0], less[1], less[2])) / (2 * little)
    grown = 1 + value[SHIFT] / radius_px
    ec, es = value[SHIFT_C2] / radius_px, value[SHIFT_S2] / radius_px
    step = 2 * math.pi / points
    outline[:, :] = 0.0
    for i in range(points):
        c, s = math.cos(i * step), math.sin(i * step)
        x, y = circle[0, 0] * c + circle[0, 1] * s, circle[1, 0] * c + circle[1, 1] * s
        dx, dy = (circle[0, 1] * c - circle[0, 0] * s) * step, (circle[1, 1] * c - circle[1, 0] * s) * step
        own = outline[i]
        own[PLACE] = (grown + ec) * x + es * y + value[SHIFT_X]
        own[PLACE + 1] = es * x + (grown - ec) * y + value[SHIFT_Y]
        tx, ty = (grown + ec) * dx + es * dy, es * dx + (grown - ec) * dy
        own[PLACE + 2], own[PLACE + 3] = det * ty, -det * tx
        own[FIXED], own[FIXED + 1] = det * ty, -det * tx
        own[FIXED + 2] = det * (x * ty - y * tx) / radius_px
        own[FIXED + 3] = det * (x * ty + y * tx) / radius_px
        own[FIXED + 4] = det * (y * ty - x * tx) / radius_px
        rx, ry = root[0, 0] * tx + root[0, 1] * ty, root[1, 0] * tx + root[1, 1] * ty
        for k in range(3):
            own[ALONG + 5 + k] = slopes[k, 0, 0] * ry - slopes[k, 1, 0] * rx
            own[ACROSS + 5 + k] = slopes[k, 0, 1] * ry - slopes[k, 1, 1] * rx
    outline[points, 0], outline[points, 1], outline[points, 2] = root[0, 0], root[0, 1], root[1, 1]


@part_in_any_order
def find_depth(x: float, y: float, outline: Array, points: int, table: Array, energy: Array, moves: Array) -> None:
    """Fill D at a pixel and its derivatives: `energy` (D, then by the even shapes), `moves` (by the MOVES parameters).

    `table` is (rows, 2 + EVEN_COUNT): H / (2 pi r^2) of the present blur, then of each shape, and h.
    """
    a, b, d = outline[points, 0], outline[points, 1], outline[points, 2]
    last = table.shape[0] - 2
    energy[:] = 0.0
    moves[:] = 0.0
    for i in range(points):
        own = outline[i]
        px, py = own[PLACE] - x, own[PLACE + 1] - y
        zx, zy = a * px + b * py, b * px + d * py
        at = math.sqrt(zx * zx + zy * zy) * (1 / SPREAD_STEP)
        angle = px * own[PLACE + 2] + py * own[PLACE + 3]
        if at >= last:
            # beyond the table the encircled energy is constant
            energy[0] += angle * table[last, 0] * (last / at) ** 2
            continue
        k = int(at)
        t = at - k
        low, high = table[k], table[k + 1]
        for j in range(2 + EVEN_COUNT):
            energy[j] += angle * (low[j] + t * (high[j] - low[j]))
        h = low[1 + EVEN_COUNT] + t * (high[1 + EVEN_COUNT] - low[1 + EVEN_COUNT])
        for j in range(MOVES):
            moves[j] += h * (own[FIXED + j] + px * own[ALONG + j] + py * own[ACROSS + j])


@part_in_any_order
def _find_share(x: float, y: float, outline: Array, points: int, energy: Array) -> float:
    """Return D at a pixel alone; `energy` is the first column of the table of `find_depth`."""
    a, b, d = outline[points, 0], outline[points, 1], outline[points, 2]
    last = len(energy) - 2
    share = 0.0
    for i in range(points):
        own = outline[i]
        px, py = own[PLACE] - x, own[PLACE + 1] - y
        zx, zy = a * px + b * py, b * px + d * py
        at = math.sqrt(zx * zx + zy * zy) * (1 / SPREAD_STEP)
        angle = px * own[PLACE + 2] + py * own[PLACE + 3]
        if at >= last:
            share += angle * energy[last] * (last / at) ** 2
            continue
        k = int(at)
        share += angle * (energy[k] + (at - k) * (energy[k + 1] - energy[k]))
    return share


class DiscData(NamedTuple):
    """What a whole disc is fitted to, and with what; a named tuple, as compiled code reads it."""

    pixel: Array
    """(pixels, COLUMNS)."""
    radius_px: float
    circle: Array
    """(2, 2): from the unit circle to the outline in px, along and across the image radius."""
    spread: Array
    """See `spread_table`."""
    kept: NDArray[np.bool_]
    """(pixels or more,): which of them count."""


@part
def outline_of(data: DiscData, value: Array) -> tuple[Array, int]:
    """Return the outline's terms at `value`, see `_outline`, and the number of its points."""
    points = max(LEAST_POINTS, int(POINTS_PER_BLUR * 2 * math.pi * data.radius_px / math.sqrt(value[WIDTH])) + 1)
    outline = np.empty((points + 1, PER_POINT))
    _outline(value, data.radius_px, data.circle, points, outline)
    return outline, points


@part
def expect_light(data: DiscData, value: Array, light: Array) -> None:
    """Fill the light of every pixel, (pixels, 2): what it is expected to have, 0 dark and 1 paper, and what it has less
    that."""
    pixel = data.pixel
    energy = data.spread[:, ENERGY].copy()
    for j in range(EVEN_COUNT):
        energy += value[ROUND + j] * data.spread[:, ENERGY + 1 + j]
    outline, points = outline_of(data, value)
    for i in range(len(pixel)):
        x, y = pixel[i, X], pixel[i, Y]
        light[i, 0] = 1 - _find_share(x, y, outline, points, energy)
        slope = 1 + (value[GRADIENT_X] * x + value[GRADIENT_Y] * y) / data.radius_px
        light[i, 1] = pixel[i, LIGHT] - slope * (value[DARK] + value[CONTRAST] * light[i, 0])
