"""Fit of a small, strongly blurred disc as a whole: place, light and blur.

Where the blur fills half the disc, no ring about its edge reaches the dark level, and the fit of the edge (`fit`)
fails. Here the whole disc is fitted. Let its outline on the sensor be an ellipse ``y(t)``, t = 0 ... 2 pi, and h the
point spread function, with the transfer function ``T(sqrt(n W n) f)`` in direction n: a round one stretched by the
matrix W. In coordinates in which W is the identity, with the pixel as the origin,

    z(t) = W^(-1/2) (y(t) - x),   D(x) = int_inside h = 1 / (2 pi) closed-int H(|z|) dtheta

is the share of light that the disc removes from the pixel at x, with H(r) the encircled energy and theta the direction
of z. (Gauss's theorem for the radial field ``H(r) / (2 pi r)``, whose divergence is h.) A parameter p moves the outline
by v = dz/dp in these coordinates, so

    dD/dp = closed-int h(|z|) (v x z') dt.

Both integrands are smooth and periodic, so a sum over a few dozen points is exact (Trefethen and Weideman 2014, The
exponentially convergent trapezoidal rule). Ellipses and stretched blurs take no longer than circles.

h and H come from `edge_shapes`. The prior of a blur is therefore the same as at an edge, W is 1/MTF50^2 by direction,
and the two fits agree where both work.

The model is even about its centre, a comatic blur is not, and what an even model makes of it depends on noise and on
the width of the blur. So the position is not the model's: it is the centroid of the disc's depth below the paper, in
all planes of a disc and whether or not the model fits. Where the blur cannot be fitted, the position is kept and MTF50
is not.

Coordinates are along and across the image radius, parameters those of `parameters`; those that this fit does not
determine stay 0.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.special import j0, j1

from glasswright_camera.compiled import compiled, part, part_in_any_order
from glasswright_camera.edges.kernel.bins import LEAST_VARIANCE
from glasswright_camera.edges.kernel.curved import sample_transfer
from glasswright_camera.edges.kernel.discs import (
    CENTRE,
    COVARIANCE,
    ENDING,
    LEAST_QUALITY,
    LEFT_OUT,
    MEASURED,
    MISFIT,
    MOST_LEFT_OUT,
    NOISE,
    NOT_CONVERGED,
    PROFILE_STEP,
    QUALITY,
    REJECTED,
    WHOLE_DISC,
    Fits,
)
from glasswright_camera.edges.kernel.equations import FINE_SLACK, MOST_SIGMAS
from glasswright_camera.edges.kernel.fit import (
    ALLOWED_RISE,
    MOST_DAMPING,
    NEAR_DAMPING,
    NO_EFFECT,
    NOISE_SIGMAS,
    invert,
    solve,
)
from glasswright_camera.edges.kernel.parameters import (
    CONTRAST,
    DARK,
    EVEN_0,
    GRADIENT_X,
    GRADIENT_Y,
    PARAMETERS,
    SHIFT,
    SHIFT_C2,
    SHIFT_S2,
    SHIFT_X,
    SHIFT_Y,
    WIDTH,
    WIDTH_C2,
    WIDTH_S2,
)
from glasswright_camera.edges.kernel.prior import FIRST_SCALES, HALO, HARMONIC_2
from glasswright_camera.edges.kernel.ring import (
    LEAST_STEP,
    Disc,
    Discs,
    Frame,
    edge_distance,
    gain_at,
    one_disc,
    room_for_pixels,
)
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, GAUSSIAN_SIGMA, edge_shapes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.moments import FamilyMoments

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
OUTER_REACH: Final = 1.1
LEAST_OUTSIDE: Final = 0.4
"""Distance beyond the edge up to which pixels are used, and at least must be, in units of 1/MTF50. In photographs of
discs with less paper about them places were off by up to 4 px."""
KNOWN_ELLIPSE: Final = 0.004
"""Standard uncertainty of the outline's ellipse, which the lattice's map predicts, of its radius."""
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
ITERATIONS: Final = 25
CONVERGED: Final = 0.2
"""Steps after which a fit is given up; a step that is predicted to lower chi-square by less than CONVERGED is the
last."""
LEAST_PIXELS: Final = 60
"""Four for each parameter."""
MOST_CLIPPED: Final = 0.02
"""Largest number of clipped pixels, as a share of the others; hot pixels are fewer."""
MOST_PIXELS: Final = 1000
FIRST_PIXELS: Final = 400
"""Most pixels to which the blur is fitted, evenly chosen; the first steps use fewer. The position uses all."""
MOST_STRETCHED: Final = 0.9
"""Largest harmonic 2 of the width, as a share of the mean width."""
LEAST_SIGNAL: Final = 30.0
"""Least signal-to-noise ratio of a disc: root of the sum of squares of the light it removes, over a pixel's noise."""
MOST_RESIZED: Final = 0.5
"""Of the radius: what is moved or resized by more is not the disc."""
SHAPE_U: Final = 0.03
CURVED_SHAPE_U: Final = 0.02
"""See `whole_shape_u`."""
WHOLE_BLURS: Final = 1.35
"""A disc whose radius is fewer blurs has no dark level inside its edge and is fitted whole."""
PAPER_RING: Final = 0.75
"""The paper about a disc is a plane, fitted to the pixels beyond this share of the reach of its pixels. They lie about
half-way to the next discs: there the blurs of a lattice's discs remove the same light on opposite sides, however
asymmetric they are, and the plane does not tilt. The slope fitted together with an even blur does."""
PAPER_SIGMAS: Final = 3.0
"""Pixels that deviate by more from that plane are left out of it."""
SHALLOW: Final = 0.3
"""Threshold of the centroid, as a share of the greatest depth. For an asymmetric blur it is part of the definition of
the place: another threshold has another centroid."""
OTHER_LEVELS: Final = (0.2, 0.4)
"""Half the difference of the centroids beyond these shares of the deepest, less what noise makes, is part of the
standard uncertainty. Dots whose blur has a tail on one side move by 0.1 to 0.2 px between the two, in all planes
alike."""
COUNTED: Final = 0.15
"""Depth of the model, as a share of its greatest, from which on pixels count in a centroid: half of SHALLOW. Farther
out, noise of a dim dot exceeds the threshold too, and its lever is long: dots were up to 0.2 px off."""
COMB_SIGMAS: Final = 10.0
MAD_TO_SIGMA: Final = 1.4826
"""Deviation about an edge beyond which a pixel is left out of a centroid, in robust standard deviations; of a comb they
reach 3 to 9. The factor from the median absolute deviation to those (of a Gaussian)."""
FARTHEST_PX: Final = 4
CHANCE: Final = 3.0
LEAST_COMMON: Final = 200
"""Distance of pixels up to which common noise is looked for, along and down; the correlation, in standard deviations of
that of independent pixels, below which it counts as none; and the fewest pairs of pixels from which it is estimated."""
MOST_COMMON: Final = 0.95
"""Largest correlation of the noise of two planes that is believed."""
NOT_COUNTED: Final = 0.1
"""Depth that counts as paper in the first guess."""
DARK_PART, LIGHT_PART = 50, 10
"""First guess of the levels: one pixel in 50 is darker, one in 10 lighter."""
FIRST_NOISE: Final = 0.02
"""Least noise of the first steps, of the step of light; that of the paper if it is more. With too little noise the
prior has no weight: shapes follow the noise, and the width ran to its lower limit."""
DARKEST_NOISE: Final = 0.1
"""Smallest variance of a dark pixel over that of a light one: photon noise at a contrast of ten."""
FIRST_DAMPING: Final = 1e-3
RAISED_DAMPING: Final = 1e-4
"""First damping, and the smallest value from which it is raised; otherwise as in `fit`."""
ROUGHLY: Final = 10.0
"""Factor on CONVERGED in rounds that another follows."""
LITTLE: Final = 1e-4
"""Relative step of the numerical derivative by width: its square and rounding are below 1e-7 of the slope."""
FIRST_GUESSES: Final = (0.5, 6.0)
"""Smallest and largest first guess of the square of 1/MTF50 over the radius."""
FLAT: Final = 0.04
"""Share of the step within which light counts as that of the paper, or of the disc's middle."""
LEAST_FLAT: Final = 12
"""Fewest pixels from which a variance is estimated."""
LEAST_BLUR: Final = 0.6
SMALLEST_BLUR, LARGEST_BLUR = 0.4, 6.0
"""1/MTF50 over the radius: least of a disc fitted whole, and limits of the search."""
AT_LIMIT: Final = 1.02
"""Square of 1/MTF50 over its lower limit, below which it is at that limit: the disc has a sharp edge, or is none."""


def whole_shape_u(blurs: Array) -> Array:
    """Return the relative standard uncertainty of MTF50 from the blur's unknown shape, for a disc fitted whole.

    `blurs` is the disc's radius in blurs (1/MTF50). The result is about the rms error at low noise over Gaussians, some
    stretched or with a halo, and pupils with up to 0.8 waves of defocus. The cause is slow tails, which change the
    light far from the disc like another level of the paper."""
    return np.asarray(np.hypot(SHAPE_U, CURVED_SHAPE_U / blurs**2))


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
def _find_depth(x: float, y: float, outline: Array, points: int, table: Array, energy: Array, moves: Array) -> None:
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
    """Return D at a pixel alone; `energy` is the first column of the table of `_find_depth`."""
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
def _outline_of(data: DiscData, value: Array) -> tuple[Array, int]:
    """Return the outline's terms at `value`, see `_outline`, and the number of its points."""
    points = max(LEAST_POINTS, int(POINTS_PER_BLUR * 2 * math.pi * data.radius_px / math.sqrt(value[WIDTH])) + 1)
    outline = np.empty((points + 1, PER_POINT))
    _outline(value, data.radius_px, data.circle, points, outline)
    return outline, points


@part
def _expect_light(data: DiscData, value: Array, light: Array) -> None:
    """Fill the light of every pixel, (pixels, 2): what it is expected to have, 0 dark and 1 paper, and what it has less
    that."""
    pixel = data.pixel
    energy = data.spread[:, ENERGY].copy()
    for j in range(EVEN_COUNT):
        energy += value[ROUND + j] * data.spread[:, ENERGY + 1 + j]
    outline, points = _outline_of(data, value)
    for i in range(len(pixel)):
        x, y = pixel[i, X], pixel[i, Y]
        light[i, 0] = 1 - _find_share(x, y, outline, points, energy)
        slope = 1 + (value[GRADIENT_X] * x + value[GRADIENT_Y] * y) / data.radius_px
        light[i, 1] = pixel[i, LIGHT] - slope * (value[DARK] + value[CONTRAST] * light[i, 0])


@part
def _sum_up(
    data: DiscData,
    every: int,
    value: Array,
    variance: Array,
    choose: bool,
    normal: Array,
    right: Array,
    light: Array,
) -> tuple[float, int, int]:
    """Sum up the normal equations at `value`; return chi-square, pixels used and left out.

    Of the pixels each `every`-th is used, and its `light` filled in, see `_expect_light`. If `choose`, it is decided
    anew which are kept.
    """
    pixel, radius_px, spread, kept = data.pixel, data.radius_px, data.spread, data.kept
    table = np.empty((spread.shape[0], 2 + EVEN_COUNT))
    table[:, : 1 + EVEN_COUNT], table[:, 1 + EVEN_COUNT] = spread[:, ENERGY:], spread[:, 0]
    for j in range(EVEN_COUNT):
        table[:, 0] += value[ROUND + j] * spread[:, ENERGY + 1 + j]
        table[:, 1 + EVEN_COUNT] += value[ROUND + j] * spread[:, 1 + j]
    outline, points = _outline_of(data, value)
    energy, moves, row = np.empty(2 + EVEN_COUNT), np.empty(MOVES), np.empty(WHOLE)
    normal[:, :] = 0.0
    right[:] = 0.0
    total, used, lost = 0.0, 0, 0
    dark, contrast = value[DARK], value[CONTRAST]
    for i in range(0, len(pixel), every):
        x, y = pixel[i, X], pixel[i, Y]
        _find_depth(x, y, outline, points, table, energy, moves)
        e = 1 - energy[0]
        slope = 1 + (value[GRADIENT_X] * x + value[GRADIENT_Y] * y) / radius_px
        level = dark + contrast * e
        residual = pixel[i, LIGHT] - slope * level
        light[i, 0], light[i, 1] = e, residual
        noise = math.sqrt(variance[0] + (variance[1] - variance[0]) * min(max(e, 0.0), 1.0))
        if choose:
            kept[i] = abs(residual) <= MOST_SIGMAS * noise + FINE_SLACK * abs(contrast)
        if not kept[i]:
            lost += 1
            continue
        weight = 1 / noise
        tall = -weight * slope * contrast
        row[DARK], row[CONTRAST] = weight * slope, weight * slope * e
        row[GRADIENT_X], row[GRADIENT_Y] = weight * level * x / radius_px, weight * level * y / radius_px
        row[SHIFT], row[SHIFT_X], row[SHIFT_Y] = tall * moves[2], tall * moves[0], tall * moves[1]
        for j in range(3, MOVES):
            row[SHIFT + j] = tall * moves[j]
        for j in range(EVEN_COUNT):
            row[ROUND + j] = tall * energy[1 + j]
        off = weight * residual
        total += off * off
        used += 1
        for m in range(WHOLE):
            right[m] += row[m] * off
            for k in range(m + 1):
                normal[m, k] += row[m] * row[k]
    for m in range(WHOLE):
        for k in range(m):
            normal[k, m] = normal[m, k]
    return total, used, lost


@part
def _pixel_variance(data: DiscData, every: int, light: Array, variance: Array) -> float:
    """Fill the pixel variance at dark and at paper, (2,), from the residuals where the light hardly changes.

    That is on the paper, and in the disc's middle, where it is darkest. Elsewhere residuals include model error. Return
    the mean square of all residuals over the variance, at least 1.
    """
    kept, count = data.kept, len(data.pixel)
    darkest, paper, number = 1.0, 0.0, 0.0
    for i in range(0, count, every):
        darkest = min(darkest, light[i, 0])
    square, place, amount = 0.0, 0.0, 0.0
    for i in range(0, count, every):
        if not kept[i]:
            continue
        if light[i, 0] > 1 - FLAT:
            paper += light[i, 1] ** 2
            number += 1
        elif light[i, 0] < darkest + FLAT:
            square += light[i, 1] ** 2
            place += light[i, 0]
            amount += 1
    if number < LEAST_FLAT:
        # the neighbouring discs leave no paper
        paper, number = square, amount
    variance[1] = max(paper / max(number, 1.0), LEAST_VARIANCE)
    variance[0] = variance[1]
    if amount >= LEAST_FLAT:
        rise = (variance[1] - square / amount) / (1 - place / amount)
        variance[0] = max(variance[1] - rise, DARKEST_NOISE * variance[1])
    total, number = 0.0, 0.0
    for i in range(0, count, every):
        if kept[i]:
            e = min(max(light[i, 0], 0.0), 1.0)
            total += light[i, 1] ** 2 / (variance[0] + (variance[1] - variance[0]) * e)
            number += 1
    return max(total / max(number, 1.0), 1.0)


@part
def _fill_prior(family: FamilyMoments, width: float, radius_px: float, prior: Array) -> None:
    """Fill the prior's precision, (WHOLE, WHOLE): of the ellipse, the width's harmonic 2 and the shapes."""
    prior[:, :] = 0.0
    prior[SHIFT_C2, SHIFT_C2] = prior[SHIFT_S2, SHIFT_S2] = 1 / (KNOWN_ELLIPSE * radius_px) ** 2
    stretch = 1 / (FIRST_SCALES[HARMONIC_2] * family.width_variance[0] * width**2)
    prior[WIDTH_C2, WIDTH_C2] = prior[WIDTH_S2, WIDTH_S2] = stretch
    prior[ROUND:WHOLE, ROUND:WHOLE] = np.linalg.inv(family.round_ + FIRST_SCALES[HALO] * family.halo)


@part
def _guess_width(pixel: Array, low: float, high: float, radius_px: float) -> float:
    """Return a guess of 1/MTF50^2 from the second moment of the disc's depth, which is R^2 / 2 plus the blur's."""
    total, second = 0.0, 0.0
    for i in range(len(pixel)):
        square = pixel[i, X] ** 2 + pixel[i, Y] ** 2
        depth = min(max((high - pixel[i, LIGHT]) / (high - low) - NOT_COUNTED, 0.0), 1.0)
        total += depth
        second += depth * square
    blur = second / max(total, 1.0) - radius_px**2 / 2
    return min(max(blur / (2 * GAUSSIAN_SIGMA**2), FIRST_GUESSES[0] * radius_px**2), FIRST_GUESSES[1] * radius_px**2)


@part
def _thin_out(near: Array) -> Array:
    """Return at most about MOST_PIXELS pixels, evenly chosen."""
    return near[:: max(1, len(near) // MOST_PIXELS)].copy()


@part
def fit_disc(
    pixel: Array,
    disc: Disc,
    family: FamilyMoments,
    spread: Array,
    value: Array,
    covariance: Array,
    variance: Array,
    level_shift: Array,
) -> tuple[float, float, float, bool]:
    """Fit a whole disc.

    Parameters
    ----------
    pixel
        (pixels, COLUMNS) of one plane, from `collect_disc`.
    family, spread
        See `family_moments` and `spread_table`.
    value, covariance, variance, level_shift
        Filled: (PARAMETERS,), (PARAMETERS, PARAMETERS), a pixel's variance on the dark and on the light side, and the
        part of the centre's uncertainty from its definition, (2,), with its sign; see OTHER_LEVELS.

    Returns
    -------
    tuple
        As by `fit_edge`, chi-square per degree of freedom, misfit and share left out; then whether there is a disc. The
        width is NaN where the blur could not be fitted.
    """
    count, radius_px, map_px, scale = len(pixel), disc.radius_px, disc.map_px, disc.radius_mm
    if count < LEAST_PIXELS:
        return math.nan, math.nan, math.nan, False
    turn_c, turn_s = math.cos(disc.radial), math.sin(disc.radial)
    circle = np.empty((2, 2))
    sign = 1.0 if np.linalg.det(map_px) > 0 else -1.0
    circle[0, 0] = (turn_c * map_px[0, 0] + turn_s * map_px[1, 0]) * scale
    circle[0, 1] = (turn_c * map_px[0, 1] + turn_s * map_px[1, 1]) * scale * sign
    circle[1, 0] = (turn_c * map_px[1, 0] - turn_s * map_px[0, 0]) * scale
    circle[1, 1] = (turn_c * map_px[1, 1] - turn_s * map_px[0, 1]) * scale * sign
    order = np.sort(pixel[:, LIGHT])
    low, high = order[count // DARK_PART], order[count - 1 - count // LIGHT_PART]
    own = np.zeros(WHOLE)
    own[DARK], own[CONTRAST], own[WIDTH] = low, high - low, _guess_width(pixel, low, high, radius_px)
    if not own[CONTRAST] > 0:
        return math.nan, math.nan, math.nan, False
    paper = _fit_paper(pixel)
    paper_noise = MAD_TO_SIGMA * np.median(np.abs(_leave_plane(_take_ring(pixel), paper)))
    variance[:] = max(FIRST_NOISE * own[CONTRAST], paper_noise) ** 2
    kept, light, trial_light = np.ones(count, dtype=np.bool_), np.zeros((count, 2)), np.zeros((count, 2))
    data = DiscData(pixel, radius_px, circle, spread, kept)
    prior = np.empty((WHOLE, WHOLE))
    normal, right = np.empty((WHOLE, WHOLE)), np.empty(WHOLE)
    trial_normal, trial_right = np.empty((WHOLE, WHOLE)), np.empty(WHOLE)
    misfit = 1.0
    # three turns: a part of the pixels; a part of those within reach; all within reach, without outliers
    converged, total, used, lost = False, 0.0, 0, 0
    part = 1 + count // FIRST_PIXELS
    least = (SMALLEST_BLUR * radius_px) ** 2
    for turn in range(3):
        if turn:
            misfit = _pixel_variance(data, part, light, variance)
        if turn == 1:
            thinned = _thin_out(pixel[pixel[:, DISTANCE] <= OUTER_REACH * math.sqrt(own[WIDTH])])
            count = len(thinned)
            data = DiscData(thinned, radius_px, circle, spread, kept)
            part = 1 + count // FIRST_PIXELS
        if turn == 2:
            part = 1
        _fill_prior(family, own[WIDTH], radius_px, prior)
        total, used, lost = _sum_up(data, part, own, misfit * variance, turn == 2, normal, right, light)
        damping, converged = FIRST_DAMPING if turn == 0 else NEAR_DAMPING, False
        for _ in range(ITERATIONS):
            if used < LEAST_PIXELS:
                return math.nan, math.nan, 1.0, False
            downhill = right - prior @ own
            damped = normal + prior
            for m in range(WHOLE):
                damped[m, m] += damping * (normal[m, m] + NO_EFFECT)
            change = solve(damped, downhill)
            if own[WIDTH] < AT_LIMIT * least and change[WIDTH] < 0:
                # at the limit of the search the other parameters are fitted, and the width stays
                damped[WIDTH, :] = 0.0
                damped[:, WIDTH] = 0.0
                damped[WIDTH, WIDTH] = 1.0
                downhill[WIDTH] = 0.0
                change = solve(damped, downhill)
            promised = float(np.sum(change * downhill))
            if not promised >= 0:
                break
            if promised < CONVERGED * (1 if turn == 2 else ROUGHLY):
                converged = True
                if turn == 2:
                    own += change
                break
            trial = own + change
            trial[WIDTH] = min(max(trial[WIDTH], least), (LARGEST_BLUR * radius_px) ** 2)
            stretch = math.hypot(trial[WIDTH_C2], trial[WIDTH_S2])
            if stretch > MOST_STRETCHED * trial[WIDTH]:
                trial[WIDTH_C2:ROUND] *= MOST_STRETCHED * trial[WIDTH] / stretch
            trial_total, trial_used, trial_lost = _sum_up(
                data, part, trial, misfit * variance, False, trial_normal, trial_right, trial_light
            )
            if trial_total + trial @ prior @ trial <= total + own @ prior @ own + ALLOWED_RISE * total / used:
                own[:] = trial
                normal[:, :], right[:], light[:, :] = trial_normal, trial_right, trial_light
                total, used, lost = trial_total, trial_used, trial_lost
                damping = max(damping / 10, NEAR_DAMPING)
            else:
                damping = max(damping, RAISED_DAMPING) * 10
                if damping > MOST_DAMPING:
                    break
    inverse = invert(normal + prior)
    # the last step is not limited: without a disc the width may be negative
    if not (inverse[DARK, DARK] > 0 and own[WIDTH] > 0):
        return math.nan, math.nan, math.nan, False
    freedom = max(used - WHOLE + np.sum(inverse * prior), 1.0)
    quality = total / freedom
    beyond = max(total - freedom / misfit - NOISE_SIGMAS * math.sqrt(2 * freedom) / misfit, 0.0)
    misfit_frac = math.sqrt(beyond / normal[DARK, DARK]) / abs(own[CONTRAST])
    inverse *= max(quality, LEAST_QUALITY)
    # a centroid needs every pixel: where colours are stored for pairs of columns, the even ones alone are 0.2 px off
    near = pixel[pixel[:, DISTANCE] <= OUTER_REACH * math.sqrt(own[WIDTH])]
    whole = DiscData(near, radius_px, circle, spread, np.ones(len(near), dtype=np.bool_))
    light = np.empty((len(near), 2))
    _expect_light(whole, own, light)
    signal = 0.0
    for i in range(len(near)):
        signal += (1 - light[i, 0]) ** 2
    noise = math.sqrt(misfit * max(variance[0], variance[1]))
    found = own[CONTRAST] > LEAST_STEP and own[CONTRAST] * math.sqrt(signal) > LEAST_SIGNAL * noise
    _leave_out(light, misfit * variance, own[CONTRAST], whole.kept)
    noise = _find_noise(pixel, near, light, whole.kept, variance, disc)
    found &= _move_to_centroid(whole, light, paper, noise * variance, own, inverse, level_shift)
    found &= math.hypot(own[SHIFT_X], own[SHIFT_Y]) < MOST_RESIZED * radius_px
    found &= np.max(near[:, DISTANCE]) > LEAST_OUTSIDE * math.sqrt(own[WIDTH])
    # a width at the limit of the search is none
    converged &= abs(own[SHIFT]) < MOST_RESIZED * radius_px and own[WIDTH] > AT_LIMIT * least
    if not converged:
        # only the place is known
        own[WIDTH] = math.nan
    _lay_out(own, inverse, value, covariance)
    return quality * misfit, misfit_frac, lost / max(used + lost, 1), found


@part
def _leave_out(light: Array, variance: Array, contrast: float, kept: NDArray[np.bool_]) -> None:
    """Fill which pixels count in the centroid; `light` is from `_expect_light`.

    Those are left out that deviate from the model by more than FINE_SLACK and MOST_SIGMAS of noise; about the edge,
    COMB_SIGMAS of the other deviations there if that is more. An edge that is a comb (interlaced video) deviates from
    any model all around: where a threshold by noise took some of its teeth in one plane, that plane was up to 0.2 px
    off. A speck of dust does not change the median deviation.
    """
    darkest = np.min(light[:, 0])
    is_edge = (light[:, 0] > darkest + FLAT) & (light[:, 0] < 1 - FLAT)
    edge = COMB_SIGMAS * MAD_TO_SIGMA * np.median(np.abs(light[is_edge, 1])) if is_edge.any() else 0.0
    for i in range(len(light)):
        e = min(max(light[i, 0], 0.0), 1.0)
        most = MOST_SIGMAS * math.sqrt(variance[0] + (variance[1] - variance[0]) * e)
        if is_edge[i]:
            most = max(most, edge)
        kept[i] = abs(light[i, 1]) <= most + FINE_SLACK * abs(contrast)


@part
def _covary_sums(pixel: Array, one: Array, other: Array, used: NDArray[np.bool_], disc: Disc) -> float:
    """Return the covariance of sums of neighbouring pixels, per pixel: the sum of the residuals' correlation function.

    With `other` the same as `one` it is the variance of such sums. Raw pixels are independent, and it is theirs. Where
    a camera or a converter has interpolated colours or lines, or reduced noise, neighbours share noise: in photographs
    by others it is 7 to 20 times as much. Infinite if the pixels are too few.
    """
    turn_c, turn_s = math.cos(disc.radial), math.sin(disc.radial)
    along, down = np.empty(len(pixel), dtype=np.int64), np.empty(len(pixel), dtype=np.int64)
    for i in range(len(pixel)):
        along[i] = round(disc.centre[0] + pixel[i, X] * turn_c - pixel[i, Y] * turn_s)
        down[i] = round(disc.centre[1] + pixel[i, X] * turn_s + pixel[i, Y] * turn_c)
    # a margin, so that no shift leaves the grid
    along -= np.min(along) - FARTHEST_PX
    down -= np.min(down) - FARTHEST_PX
    grid = np.zeros((np.max(down) + 1 + FARTHEST_PX, np.max(along) + 1 + FARTHEST_PX))
    known = np.zeros(grid.shape, dtype=np.bool_)
    first, second, count = 0.0, 0.0, 0
    for i in range(len(pixel)):
        if used[i]:
            grid[down[i], along[i]], known[down[i], along[i]] = other[i], True
            first += one[i] ** 2
            second += other[i] ** 2
            count += 1
    if count < LEAST_COMMON:
        return math.inf
    by_chance = CHANCE * math.sqrt(first * second) / count
    at_once, total = 0.0, 0.0
    for dy in range(-FARTHEST_PX, FARTHEST_PX + 1):
        for dx in range(-FARTHEST_PX, FARTHEST_PX + 1):
            product, number = 0.0, 0
            for i in range(len(pixel)):
                y, x = down[i] + dy, along[i] + dx
                if used[i] and known[y, x]:
                    product += one[i] * grid[y, x]
                    number += 1
            if dy == 0 and dx == 0:
                at_once = product / number
            elif number >= LEAST_COMMON and abs(product) > by_chance * math.sqrt(number):
                total += product / number
    return at_once + max(total, 0.0)


@part
def _find_noise(pixel: Array, near: Array, light: Array, kept: NDArray[np.bool_], variance: Array, disc: Disc) -> float:
    """Return the variance of a sum of neighbouring pixels over that of independent ones of `variance`.

    It is estimated from the residuals of the model on paper and in the disc's middle, `near` with `light` from
    `_expect_light`, and from those of the paper's plane in its ring. What the model and the plane do not explain
    enlarges either (halos of sharpening, and neighbours' blur), so the smaller one is taken.
    """
    residual, used = np.empty(len(near)), np.empty(len(near), dtype=np.bool_)
    darkest = np.min(light[:, 0])
    for i in range(len(near)):
        e = min(max(light[i, 0], 0.0), 1.0)
        residual[i] = light[i, 1] / math.sqrt(variance[0] + (variance[1] - variance[0]) * e)
        used[i] = kept[i] and not darkest + FLAT < light[i, 0] < 1 - FLAT
    of_model = _covary_sums(near, residual, residual, used, disc)
    ring = _take_ring(pixel)
    residual = _leave_plane(ring, _fit_paper(pixel))
    of_paper = _covary_sums(ring, residual, residual, np.ones(len(ring), dtype=np.bool_), disc) / variance[1]
    smaller = min(of_model, of_paper)
    return smaller if smaller < math.inf else 1.0


@part
def _correlate_planes(pixel: Array, other: Array, disc: Disc) -> float:
    """Return the correlation, 0 to MOST_COMMON, of sums of neighbouring pixels in two planes that have the same pixels.

    A sensor's planes have pixels and noise of their own. In pictures that others have converted noise is mostly that of
    luminance, and common to all planes.
    """
    ring, beside = _take_ring(pixel), _take_ring(other)
    if len(ring) != len(beside):
        return 0.0
    one, two = _leave_plane(ring, _fit_paper(pixel)), _leave_plane(beside, _fit_paper(other))
    used = np.ones(len(ring), dtype=np.bool_)
    square = _covary_sums(ring, one, one, used, disc) * _covary_sums(ring, two, two, used, disc)
    if not 0 < square < math.inf:
        return 0.0
    return min(max(_covary_sums(ring, one, two, used, disc) / math.sqrt(square), 0.0), MOST_COMMON)


@part
def _take_ring(pixel: Array) -> Array:
    """Return the pixels of the paper's ring."""
    return pixel[pixel[:, DISTANCE] > PAPER_RING * np.max(pixel[:, DISTANCE])]


@part
def _leave_plane(ring: Array, plane: Array) -> Array:
    """Return the light of pixels less that of the paper's plane."""
    return np.asarray(ring[:, LIGHT] - plane[0] - plane[1] * ring[:, X] - plane[2] * ring[:, Y])


@part
def _fit_paper(pixel: Array) -> Array:
    """Fit a plane to the light of the outermost pixels: (3,), its level at the expected centre and its slopes."""
    ring = _take_ring(pixel)
    plane, used = np.zeros(3), np.ones(len(ring), dtype=np.bool_)
    row, off = np.ones(3), np.zeros(len(ring))
    for _ in range(3):
        normal, right = 1e-12 * np.eye(3), np.zeros(3)
        for i in range(len(ring)):
            if used[i]:
                row[1], row[2] = ring[i, X], ring[i, Y]
                for m in range(3):
                    right[m] += row[m] * ring[i, LIGHT]
                    for k in range(3):
                        normal[m, k] += row[m] * row[k]
        plane[:] = solve(normal, right)
        for i in range(len(ring)):
            off[i] = ring[i, LIGHT] - plane[0] - plane[1] * ring[i, X] - plane[2] * ring[i, Y]
        used = np.abs(off) <= PAPER_SIGMAS * math.sqrt(np.sum(used * off**2) / np.sum(used))
    return plane


@part
def _move_to_centroid(
    data: DiscData, light: Array, paper: Array, variance: Array, own: Array, inverse: Array, level_shift: Array
) -> bool:
    """Move the centre to the centroid of the disc's depth above SHALLOW of the greatest; False where there is none.

    A pixel's depth is the light it lacks, of that of the paper. The centroid of the model, which is even about its
    centre, is computed over the same pixels and subtracted, so that sparse pixels do no harm. Small depths are left
    out, as faint tails on one side would have a long lever. `variance` is that of a pixel's noise, times what its
    neighbours share of it.
    """
    pixel, count = data.pixel, len(data.pixel)
    depth = np.empty((count, 3))
    deepest = 0.0
    for i in range(count):
        level = paper[0] + paper[1] * pixel[i, X] + paper[2] * pixel[i, Y]
        if not level > 0:
            return False
        depth[i, 0], depth[i, 1], depth[i, 2] = 1 - pixel[i, LIGHT] / level, 1 - light[i, 0], 1 / level
        deepest = max(deepest, depth[i, 1])
    seen, modelled = 0.0, 0.0
    for i in range(count):
        if data.kept[i] and depth[i, 1] > deepest - FLAT:
            seen += depth[i, 0]
            modelled += depth[i, 1]
    if not (seen > 0 and modelled > 0):
        return False
    depth[:, 1] *= seen / modelled
    deepest *= seen / modelled
    place = np.empty((3, 5))
    for turn in range(3):
        level = SHALLOW if turn == 0 else OTHER_LEVELS[turn - 1]
        if not _find_centroid(data, depth, light, variance, own, level * deepest, COUNTED * deepest, place[turn]):
            return False
    # covariances with other parameters are not kept
    for k in (SHIFT_X, SHIFT_Y):
        axis = k - SHIFT_X
        own[k] += place[0, axis]
        inverse[k, :] = 0.0
        inverse[:, k] = 0.0
        # the pixels of the higher level are among those of the lower: their noise is common
        noise = place[1, 2 + axis] + place[2, 2 + axis] * (1 - 2 * place[2, 4] / place[1, 4])
        apart = place[2, axis] - place[1, axis]
        level_shift[axis] = math.copysign(0.5 * math.sqrt(max(apart**2 - noise, 0.0)), apart)
        inverse[k, k] = place[0, 2 + axis] + level_shift[axis] ** 2
    inverse[SHIFT_X, SHIFT_Y] = inverse[SHIFT_Y, SHIFT_X] = level_shift[0] * level_shift[1]
    return True


@part
def _find_centroid(
    data: DiscData,
    depth: Array,
    light: Array,
    variance: Array,
    own: Array,
    floor: float,
    least: float,
    place: Array,
) -> bool:
    """Fill `place`: centroid x, y of the depth beyond `floor`, from the centre; their variances by noise; sum of depth.

    `depth` is (pixels, 3): measured and modelled, and the inverse of the paper's light. Pixels whose modelled depth is
    `least` or less do not count.
    """
    pixel = data.pixel
    seen, along, across, square_along, square_across = 0.0, 0.0, 0.0, 0.0, 0.0
    modelled, model_along, model_across = 0.0, 0.0, 0.0
    for i in range(len(pixel)):
        if not (data.kept[i] and depth[i, 1] > least):
            continue
        dx, dy = pixel[i, X] - own[SHIFT_X], pixel[i, Y] - own[SHIFT_Y]
        model, measured = depth[i, 1] - floor, depth[i, 0] - floor
        if model > 0:
            modelled += model
            model_along += model * dx
            model_across += model * dy
        if measured > 0:
            noise = variance[0] + (variance[1] - variance[0]) * min(max(light[i, 0], 0.0), 1.0)
            noise *= depth[i, 2] ** 2
            seen += measured
            along += measured * dx
            across += measured * dy
            square_along += noise * dx * dx
            square_across += noise * dy * dy
    if not (seen > 0.5 * modelled and modelled > 0):
        return False
    place[0] = along / seen - model_along / modelled
    place[1] = across / seen - model_across / modelled
    place[2] = square_along / seen**2
    place[3] = square_across / seen**2
    place[4] = seen
    return True


@part
def _lay_out(own: Array, inverse: Array, value: Array, covariance: Array) -> None:
    """Copy the fitted parameters and their covariance to the layout of `parameters`."""
    value[:] = 0.0
    covariance[:, :] = 0.0
    place = np.empty(WHOLE, dtype=np.int64)
    for m in range(WHOLE):
        place[m] = m if m < ROUND else EVEN_0 + m - WIDTH - 3
    for m in range(WHOLE):
        value[place[m]] = own[m]
        for k in range(WHOLE):
            covariance[place[m], place[k]] = inverse[m, k]


@compiled
def fit_whole_discs(
    frame: Frame,
    discs: Discs,
    family: FamilyMoments,
    spread: Array,
    wanted: NDArray[np.bool_],
    blurred: NDArray[np.bool_],
    main: int,
    fits: Fits,
) -> None:
    """Fit whole discs in the planes where they are wanted, and fill `fits`.

    `spread` is from `spread_table`; `wanted` and `blurred` are (planes, discs). In planes that are wanted but not
    blurred only the position is replaced; it is NaN where the disc has no centroid. Otherwise rows of discs that failed
    are not changed. `main` is the plane with which each plane's covariance is found.
    """
    planes = wanted.shape[0]
    same_pixels = frame.pattern.size == frame.values.shape[0]
    count, clipped = np.zeros(planes, dtype=np.int64), np.zeros(planes, dtype=np.int64)
    value, spreads, noise = (
        np.empty((planes, PARAMETERS)),
        np.empty((planes, PARAMETERS, PARAMETERS)),
        np.empty((planes, 2)),
    )
    quality, misfit, lost = np.empty(planes), np.empty(planes), np.empty(planes)
    level_shift = np.empty((planes, 2))
    found = np.empty(planes, dtype=np.bool_)
    pixel = np.empty((planes, 0, COLUMNS))
    for which in range(len(discs.radius_px)):
        if not wanted[:, which].any():
            continue
        disc = one_disc(discs, which)
        radius_px, outer = disc.radius_px, disc.limit[1]
        room = room_for_pixels(frame, disc, outer)
        if room > pixel.shape[1]:
            pixel = np.empty((planes, room, COLUMNS))
        collect_disc(frame, disc, outer, pixel, count, clipped)
        c, s = math.cos(disc.radial), math.sin(disc.radial)
        found[:] = False
        for plane in range(planes):
            if not wanted[plane, which] or clipped[plane] > MOST_CLIPPED * count[plane]:
                continue
            quality[plane], misfit[plane], lost[plane], found[plane] = fit_disc(
                pixel[plane, : count[plane]],
                disc,
                family,
                spread,
                value[plane],
                spreads[plane],
                noise[plane],
                level_shift[plane],
            )
        for plane in range(planes):
            if not wanted[plane, which]:
                continue
            fitted, spread_of_fit = value[plane], spreads[plane]
            own, covariance = fits.value[plane, which], fits.covariance[plane, which]
            # the centre of an edge is another definition of the position than the other planes have
            own[CENTRE : CENTRE + 2] = math.nan
            if not found[plane]:
                continue
            is_small = blurred[plane, which] and not fitted[WIDTH] < (LEAST_BLUR * radius_px) ** 2
            if blurred[plane, which] and not is_small and own[ENDING] != MEASURED:
                # the disc is large for its blur: its edge failed for another reason
                continue
            if (own[ENDING] == NOT_CONVERGED or own[ENDING] == REJECTED) and not fitted[WIDTH] > 0:
                # neither fit found a blur: the failure may have another cause
                continue
            if is_small:
                own[MISFIT], own[LEFT_OUT] = misfit[plane], lost[plane]
                if lost[plane] > MOST_LEFT_OUT:
                    own[ENDING] = REJECTED
                    continue
            own[CENTRE] = disc.centre[0] + c * fitted[SHIFT_X] - s * fitted[SHIFT_Y]
            own[CENTRE + 1] = disc.centre[1] + s * fitted[SHIFT_X] + c * fitted[SHIFT_Y]
            if found[main] and plane != main:
                common = 0.0
                if same_pixels and count[plane] == count[main]:
                    common = _correlate_planes(pixel[plane, : count[plane]], pixel[main, : count[main]], disc)
                own[COVARIANCE : COVARIANCE + 2] = _covary_places(
                    spreads[plane], spreads[main], level_shift[plane], level_shift[main], common, disc.radial
                )
            if not is_small:
                # the edge gives the better blur, but all planes need a place of the same definition
                covariance[SHIFT_X:SHIFT_C2, :] = spread_of_fit[SHIFT_X:SHIFT_C2, :]
                covariance[:, SHIFT_X:SHIFT_C2] = spread_of_fit[:, SHIFT_X:SHIFT_C2]
                continue
            own[:PARAMETERS] = fitted
            own[NOISE], own[NOISE + 1] = noise[plane, 0], noise[plane, 1]
            own[QUALITY], own[ENDING] = quality[plane], WHOLE_DISC
            covariance[:, :] = spread_of_fit
            _profile_whole(pixel[plane, : count[plane]], fitted, radius_px, fits.profile[plane, which])


@part
def _covary_places(
    spread: Array, other: Array, level_shift: Array, other_shift: Array, common: float, radial: float
) -> Array:
    """Return the covariance of a disc's positions in two planes along x and y, (2,): of the definition and of noise.

    `common` is the correlation of noise, see `_correlate_planes`.
    """
    c, s = math.cos(radial), math.sin(radial)
    noise = np.empty(2)
    for axis in range(2):
        k = SHIFT_X + axis
        own_noise = max(spread[k, k] - level_shift[axis] ** 2, 0.0)
        noise[axis] = common * math.sqrt(own_noise * max(other[k, k] - other_shift[axis] ** 2, 0.0))
    covariance = np.empty(2)
    x, other_x = c * level_shift[0] - s * level_shift[1], c * other_shift[0] - s * other_shift[1]
    y, other_y = s * level_shift[0] + c * level_shift[1], s * other_shift[0] + c * other_shift[1]
    covariance[0] = c * c * noise[0] + s * s * noise[1] + x * other_x
    covariance[1] = s * s * noise[0] + c * c * noise[1] + y * other_y
    return covariance


@part
def _profile_whole(pixel: Array, fitted: Array, radius_px: float, profile: Array) -> None:
    """Fill the edge profile, (2, distances): mean light, 0 dark and 1 light, in sagittal and tangential sectors."""
    length = profile.shape[1]
    half = (length - 1) / 2
    total, number = np.zeros((2, length)), np.zeros((2, length))
    for i in range(len(pixel)):
        x, y = pixel[i, X] - fitted[SHIFT_X], pixel[i, Y] - fitted[SHIFT_Y]
        away = math.sqrt(x * x + y * y) + 1e-9  # a pixel in the middle has no direction
        moved = (fitted[SHIFT_X] * x + fitted[SHIFT_Y] * y) / away
        at = round((pixel[i, DISTANCE] - fitted[SHIFT] - moved) / PROFILE_STEP + half)
        if 0 <= at < length:
            along = 1 if abs(x) > abs(y) else 0
            gain = 1 + (fitted[GRADIENT_X] * pixel[i, X] + fitted[GRADIENT_Y] * pixel[i, Y]) / radius_px
            total[along, at] += (pixel[i, LIGHT] / gain - fitted[DARK]) / fitted[CONTRAST]
            number[along, at] += 1
    for along in range(2):
        for at in range(length):
            if number[along, at] > 0:
                profile[along, at] = total[along, at] / number[along, at]
