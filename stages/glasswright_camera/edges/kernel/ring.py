"""Pixels of a ring around a disc's edge, by colour plane, and a first estimate of the edge.

The chart's affine map near the disc images the printed circle as an ellipse. A pixel's signed distance from the edge is
the ellipse's level function over the length of its gradient: exact for a circle, and for the ellipses of real lenses
wrong by less than 0.01 px within the ring.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.compiled import part, part_in_any_order

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

OCTANTS: Final = 8
"""Directions of the first estimate: enough for a shift of the centre, which is harmonic 1."""
LIGHT, DISTANCE, COS, SIN = 0, 1, 2, 3
COLUMNS: Final = 4
"""Columns of a pixel: light, distance from the edge, and the edge's normal there."""
LOOK: Final = 8
"""Length of a first estimate; see `first_look`."""
TAIL: Final = 0.06
WIDTH_OF_SIGMA: Final = 0.3277
"""The first estimate of the width is the integral of what e (1 - e) has above TAIL, as slow tails would count as width.
For a Gaussian's edge it is WIDTH_OF_SIGMA times sigma."""
LEAST_SIGMA_PX: Final = 0.4
MOST_SIGMA: Final = 0.25
"""Limits of the first estimate of sigma: a pixel alone has 0.29 px; above a quarter of the ring's length its ends show
no level."""
LEAST_STEP: Final = 1e-3
"""Smallest step of light between disc and paper, of white."""
LEAST_OCTANT: Final = 0.2
"""Smallest step in an octant, as a share of the disc's. A falloff of two stops across the disc leaves a quarter."""
LONGEST_RADIUS: Final = 1.3
"""Longest radius of a disc's ellipse that is allowed for, over its mean radius: axes of 1.7 to 1."""


class Frame(NamedTuple):
    """The mosaic as a named tuple, as compiled code needs: see `Mosaic`."""

    values: NDArray[np.uint16]
    pattern: Counts
    black: Array
    white: float


class Discs(NamedTuple):
    """Where the discs are about to be looked for, and how."""

    centre: Array
    """(discs, 2) px."""
    maps: Array
    """(discs, 2, 2): px for each print mm."""
    radius_px: Array
    """(discs,) as seen."""
    limit: Array
    """(discs, 2): how far inside and outside the edge a disc may be looked at, px."""
    radial: Array
    """(discs,): direction of the image radius at the disc, radian."""
    gain: Array
    """(planes, discs, 6): the field's gain about each disc, by which light is divided; see `field_gain`."""


class Disc(NamedTuple):
    """One of `Discs`: its rows, with the inverse of its map and its radius on the print."""

    centre: Array
    map_px: Array
    inverse: Array
    """(2, 2): print mm for each px."""
    radius_px: float
    radius_mm: float
    limit: Array
    radial: float
    gain: Array
    """(planes, 6)."""


@part
def one_disc(discs: Discs, which: int) -> Disc:
    """Return one disc."""
    map_px, radius_px = discs.maps[which], discs.radius_px[which]
    radius_mm = radius_px / math.sqrt(abs(np.linalg.det(map_px)))
    return Disc(
        discs.centre[which], map_px, np.linalg.inv(map_px), radius_px, radius_mm, discs.limit[which],
        discs.radial[which], discs.gain[:, which],
    )  # fmt: skip


@part
def room_for_pixels(frame: Frame, disc: Disc, outer: float) -> int:
    """Return a number of rows that holds a disc's pixels of any plane out to `outer` px from its edge.

    An ellipse of radii a and b reaches over pi (a + outer) (b + outer), which this circle exceeds up to b = 6 a where
    `outer` is two mean radii or less.
    """
    return int(frame.values.shape[0] * math.pi * (LONGEST_RADIUS * disc.radius_px + outer + 3) ** 2) + 64


@part_in_any_order
def edge_distance(px: float, py: float, inverse: Array, radius: float) -> tuple[float, float, float]:
    """Return a pixel's signed distance from the edge (px, light side positive) and the edge's normal there."""
    qx, qy = inverse[0, 0] * px + inverse[0, 1] * py, inverse[1, 0] * px + inverse[1, 1] * py
    level = qx * qx + qy * qy
    nx = inverse[0, 0] * qx + inverse[1, 0] * qy
    ny = inverse[0, 1] * qx + inverse[1, 1] * qy
    share = 1.0 / (math.sqrt(nx * nx + ny * ny) + 1e-12)
    return (level - radius * math.sqrt(level)) * share, nx * share, ny * share


@part_in_any_order
def row_distances(
    first: float, step: int, count: int, py: float, inverse: Array, radius: float, distance: Array, nx: Array, ny: Array
) -> None:
    """Fill distance and normal, as `edge_distance`, of `count` pixels at first, first + step ... in the row at `py`.

    In a loop of its own this vectorises.
    """
    xx, xy, yx, yy = inverse[0, 0], inverse[0, 1], inverse[1, 0], inverse[1, 1]
    for k in range(count):
        px = first + step * k
        qx, qy = xx * px + xy * py, yx * px + yy * py
        level = qx * qx + qy * qy
        gx, gy = xx * qx + yx * qy, xy * qx + yy * qy
        share = 1.0 / (math.sqrt(gx * gx + gy * gy) + 1e-12)
        distance[k], nx[k], ny[k] = (level - radius * math.sqrt(level)) * share, gx * share, gy * share


class Ellipse(NamedTuple):
    """The square of a pixel's distance from a disc's centre, measured on the print, as a quadratic form of its place.

    Its rows along x are intervals: see `row_of`.
    """

    xx: float
    xy: float
    yy: float
    least: float
    most: float
    """Distance on the print of a step of one pixel, in the direction where it is shortest and longest."""


@part_in_any_order
def ellipse_of(inverse: Array) -> Ellipse:
    """Return the quadratic form for the inverse of a disc's map."""
    xx, yy = inverse[0, 0] ** 2 + inverse[1, 0] ** 2, inverse[0, 1] ** 2 + inverse[1, 1] ** 2
    xy = inverse[0, 0] * inverse[0, 1] + inverse[1, 0] * inverse[1, 1]
    mean, spread = (xx + yy) / 2, math.hypot((xx - yy) / 2, xy)
    return Ellipse(xx, xy, yy, math.sqrt(max(mean - spread, 0.0)), math.sqrt(mean + spread))


@part_in_any_order
def half_height(ellipse: Ellipse, square: float) -> float:
    """Return how far along y the ellipse reaches on which the form is `square`."""
    return math.sqrt(square * ellipse.xx / (ellipse.xx * ellipse.yy - ellipse.xy * ellipse.xy))


@part_in_any_order
def row_of(ellipse: Ellipse, square: float, py: float) -> tuple[float, float]:
    """Return middle and half length, from the centre along x, of the row at `py` where the form is below `square`."""
    rest = (ellipse.yy - ellipse.xy * ellipse.xy / ellipse.xx) * py * py
    return -ellipse.xy * py / ellipse.xx, math.sqrt(max(square - rest, 0.0) / ellipse.xx)


@part_in_any_order
def gain_at(gain: Array, px: float, py: float) -> float:
    """Return the field's gain in one plane at px, py from the disc's expected centre; `gain` is (6,)."""
    return float(gain[0] + px * (gain[1] + gain[3] * px + gain[4] * py) + py * (gain[2] + gain[5] * py))


@part_in_any_order
def row_gain(gain: Array, py: float) -> tuple[float, float, float]:
    """Return the coefficients by px of the gain in the row at py: see `gain_at`."""
    return gain[0] + py * (gain[2] + gain[5] * py), gain[1] + gain[4] * py, gain[3]


@part_in_any_order
def collect_ring(frame: Frame, disc: Disc, inner: float, outer: float, every: int, pixel: Array, count: Counts) -> int:
    """Collect the pixels of the ring, by colour plane. Return how many are clipped, which are left out.

    Parameters
    ----------
    inner, outer
        Reach of the ring inside and outside the edge, px.
    every
        1 for all pixels; 3 for every third row of the pattern's cells, enough for the first estimate.
    pixel, count
        Filled: light, distance and normal, (planes, rows, COLUMNS), and the number of rows filled, (planes,).
    """
    values, pattern, black, white = frame.values, frame.pattern, frame.black, frame.white
    centre, inverse, radius, gain = disc.centre, disc.inverse, disc.radius_mm, disc.gain
    channels, height, width = values.shape
    rows, columns = pattern.shape[1], pattern.shape[2]
    count[:] = 0
    clipped = 0
    per_dn = 1.0 / (white - black)
    # a pixel's distance from the centre on the print differs from the radius by at most its distance from the edge
    # times the longest step
    ellipse = ellipse_of(inverse)
    near = max(radius - inner * ellipse.most, 0.0) ** 2
    far = (radius + outer * ellipse.most) ** 2
    half_y = half_height(ellipse, far)
    first_row = math.floor(centre[1]) // rows
    distances, normal_x, normal_y = np.empty(width), np.empty(width), np.empty(width)
    for y in range(max(0, math.ceil(centre[1] - half_y)), min(height, math.floor(centre[1] + half_y) + 1)):
        if (y // rows - first_row) % every:
            continue
        i, py = y % rows, y - centre[1]
        middle, reach = row_of(ellipse, far, py)
        _, hole = row_of(ellipse, near, py)
        middle += centre[0]
        # left of the ring's hole, then right of it
        for start, stop in (
            (math.ceil(middle - reach), math.floor(middle - hole) + 1),
            (max(math.ceil(middle + hole), math.floor(middle - hole) + 1), math.floor(middle + reach) + 1),
        ):
            start, stop = max(start, 0), min(stop, width)
            if start >= stop:
                continue
            row_distances(start - centre[0], 1, stop - start, py, inverse, radius, distances, normal_x, normal_y)
            for shifted in range(min(columns, stop - start)):
                j = (start + shifted) % columns
                for channel in range(channels):
                    plane, dark, scale = pattern[channel, i, j], black[channel, i, j], per_dn[channel, i, j]
                    own, number, curve = pixel[plane], count[plane], row_gain(gain[plane], py)
                    for x in range(start + shifted, stop, columns):
                        distance, raw, px = distances[x - start], values[channel, y, x], x - centre[0]
                        if distance < -inner or distance > outer:
                            continue
                        if raw >= white:
                            clipped += 1
                            continue
                        own[number, LIGHT] = (raw - dark) * scale / (curve[0] + px * (curve[1] + px * curve[2]))
                        own[number, DISTANCE] = distance
                        own[number, COS], own[number, SIN] = normal_x[x - start], normal_y[x - start]
                        number += 1
                    count[plane] = number
    return clipped


@part_in_any_order
def octant(c: float, s: float) -> int:
    """Return which eighth of the turn a direction lies in; eighth k has its centre at (k + 1/2) / 8 of a turn."""
    if s >= 0:
        if c >= 0:
            return 0 if s < c else 1
        return 2 if s > -c else 3
    if c < 0:
        return 4 if s > c else 5
    return 6 if -s > c else 7


@part_in_any_order
def sigma_of(width: float, reach: float) -> float:
    """Return sigma from the integral of e (1 - e) above TAIL over steps of a pixel, whose own variance is 1/12."""
    sigma = math.sqrt(max((width / WIDTH_OF_SIGMA) ** 2 - 1 / 12, 0.0))
    return min(max(sigma, LEAST_SIGMA_PX), MOST_SIGMA * reach)


@part_in_any_order
def first_look(pixel: Array, inner: float, outer: float, look: Array) -> bool:
    """Estimate levels, place and width of the edge without a model.

    The light is averaged in eight directions and steps of one pixel. Let e rise from 0 to 1 over the edge. The integral
    of 1 - e is the edge's place. That of max(e (1 - e) - 0.06, 0) is 0.3277 sigma for a Gaussian; without the threshold
    slow tails would widen it.

    Parameters
    ----------
    pixel
        (pixels, COLUMNS) of one plane, from `collect_ring`.
    inner, outer
        The ring's reach, px.
    look
        (LOOK,), filled: dark level, light level, sigma in px, the edge's shift (mean, along x, along y) in px, and the
        numbers of pixels at the ring's dark and light end.

    Returns
    -------
    bool
        False where there is no edge.
    """
    bins = max(int(inner + outer), 2)
    total = np.zeros((OCTANTS, bins))
    number = np.zeros((OCTANTS, bins))
    for i in range(len(pixel)):
        k = int(pixel[i, DISTANCE] + inner)
        if 0 <= k < bins:
            o = octant(pixel[i, COS], pixel[i, SIN])
            total[o, k] += pixel[i, LIGHT]
            number[o, k] += 1
    end = max(1, bins // 6)
    look[6], look[7] = np.sum(number[:, :end]), np.sum(number[:, bins - end :])
    if look[6] < OCTANTS or look[7] < OCTANTS:
        return False
    look[0] = np.sum(total[:, :end]) / look[6]
    look[1] = np.sum(total[:, bins - end :]) / look[7]
    step = look[1] - look[0]
    if step < LEAST_STEP:
        return False
    shift = np.zeros(OCTANTS)
    width = 0.0
    for o in range(OCTANTS):
        low = np.sum(total[o, :end]) / max(np.sum(number[o, :end]), 1.0)
        high = np.sum(total[o, bins - end :]) / max(np.sum(number[o, bins - end :]), 1.0)
        if high - low < LEAST_OCTANT * step:
            return False
        shift[o] = -inner
        for k in range(bins):
            e = 0.0 if k < bins // 2 else 1.0
            if number[o, k] > 0:
                e = (total[o, k] / number[o, k] - low) / (high - low)
            shift[o] += 1.0 - e
            width += max(e * (1.0 - e) - TAIL, 0.0) / OCTANTS
    look[3:6] = 0.0
    for o in range(OCTANTS):
        angle = (o + 0.5) / OCTANTS * 2 * math.pi
        look[3] += shift[o] / OCTANTS
        look[4] += 2 * shift[o] * math.cos(angle) / OCTANTS
        look[5] += 2 * shift[o] * math.sin(angle) / OCTANTS
    look[2] = sigma_of(width, inner + outer)
    return True
