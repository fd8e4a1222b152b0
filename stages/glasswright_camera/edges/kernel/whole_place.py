"""The position of a small, strongly blurred disc, and its uncertainty.

The model of a disc (`whole_light`) is even about its centre, a comatic blur is not, and what an even model makes of it
depends on noise and on the width of the blur. So the position is not the model's: it is the centroid of the disc's
depth below the paper, in all planes of a disc and whether or not the model fits.

Its uncertainty is that of noise, which neighbouring pixels and planes may share, and that of its definition.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import part
from glasswright_camera.edges.kernel.equations import FINE_SLACK, MOST_SIGMAS
from glasswright_camera.edges.kernel.fit import solve
from glasswright_camera.edges.kernel.parameters import SHIFT_X, SHIFT_Y
from glasswright_camera.edges.kernel.ring import Disc
from glasswright_camera.edges.kernel.whole_light import DISTANCE, FLAT, LIGHT, DiscData, X, Y

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

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


@part
def leave_out(light: Array, variance: Array, contrast: float, kept: NDArray[np.bool_]) -> None:
    """Fill which pixels count in the centroid; `light` is from `expect_light`.

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
def find_noise(pixel: Array, near: Array, light: Array, kept: NDArray[np.bool_], variance: Array, disc: Disc) -> float:
    """Return the variance of a sum of neighbouring pixels over that of independent ones of `variance`.

    It is estimated from the residuals of the model on paper and in the disc's middle, `near` with `light` from
    `expect_light`, and from those of the paper's plane in its ring. What the model and the plane do not explain
    enlarges either (halos of sharpening, and neighbours' blur), so the smaller one is taken.
    """
    residual, used = np.empty(len(near)), np.empty(len(near), dtype=np.bool_)
    darkest = np.min(light[:, 0])
    for i in range(len(near)):
        e = min(max(light[i, 0], 0.0), 1.0)
        residual[i] = light[i, 1] / math.sqrt(variance[0] + (variance[1] - variance[0]) * e)
        used[i] = kept[i] and not darkest + FLAT < light[i, 0] < 1 - FLAT
    of_model = _covary_sums(near, residual, residual, used, disc)
    ring = take_ring(pixel)
    residual = leave_plane(ring, fit_paper(pixel))
    of_paper = _covary_sums(ring, residual, residual, np.ones(len(ring), dtype=np.bool_), disc) / variance[1]
    smaller = min(of_model, of_paper)
    return smaller if smaller < math.inf else 1.0


@part
def correlate_planes(pixel: Array, other: Array, disc: Disc) -> float:
    """Return the correlation, 0 to MOST_COMMON, of sums of neighbouring pixels in two planes that have the same pixels.

    A sensor's planes have pixels and noise of their own. In pictures that others have converted noise is mostly that of
    luminance, and common to all planes.
    """
    ring, beside = take_ring(pixel), take_ring(other)
    if len(ring) != len(beside):
        return 0.0
    one, two = leave_plane(ring, fit_paper(pixel)), leave_plane(beside, fit_paper(other))
    used = np.ones(len(ring), dtype=np.bool_)
    square = _covary_sums(ring, one, one, used, disc) * _covary_sums(ring, two, two, used, disc)
    if not 0 < square < math.inf:
        return 0.0
    return min(max(_covary_sums(ring, one, two, used, disc) / math.sqrt(square), 0.0), MOST_COMMON)


@part
def take_ring(pixel: Array) -> Array:
    """Return the pixels of the paper's ring."""
    return pixel[pixel[:, DISTANCE] > PAPER_RING * np.max(pixel[:, DISTANCE])]


@part
def leave_plane(ring: Array, plane: Array) -> Array:
    """Return the light of pixels less that of the paper's plane."""
    return np.asarray(ring[:, LIGHT] - plane[0] - plane[1] * ring[:, X] - plane[2] * ring[:, Y])


@part
def fit_paper(pixel: Array) -> Array:
    """Fit a plane to the light of the outermost pixels: (3,), its level at the expected centre and its slopes."""
    ring = take_ring(pixel)
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
def move_to_centroid(
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
def covary_places(
    spread: Array, other: Array, level_shift: Array, other_shift: Array, common: float, radial: float
) -> Array:
    """Return the covariance of a disc's positions in two planes along x and y, (2,): of the definition and of noise.

    `common` is the correlation of noise, see `correlate_planes`.
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
