"""Light far inside a disc's edge that its fit does not predict: the trace of a wide weak halo.

The fit uses light within FITTED_REACH of the edge. A wider halo (haze, spherical aberration, scatter) is only a slope
there, which changes the fitted levels and width: MTF50 is wrong by a few percent, with a misfit below noise. Nearer the
disc's middle the halo does show as light that the fit does not predict. It is averaged in two rings. The sign in each
depends on the halo's width, and the two are never zero together. The paper outside is not used: it is less even than
printed black, and includes the lighting's falloff.
"""

from __future__ import annotations

import math
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled_in_any_order
from glasswright_camera.edges.kernel.curved import CURVATURES, curved_profiles, find_curvature
from glasswright_camera.edges.kernel.discs import CENTRE, ENDING, MEASURED, NOISE
from glasswright_camera.edges.kernel.equations import FINE_SLACK, MOST_SIGMAS
from glasswright_camera.edges.kernel.parameters import CONTRAST, DARK, EVEN_0, GRADIENT_X, GRADIENT_Y, SHIFT, WIDTH
from glasswright_camera.edges.kernel.ring import (
    edge_distance,
    ellipse_of,
    half_height,
    one_disc,
    row_distances,
    row_gain,
    row_of,
)
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, FITTED_REACH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.discs import Fits
    from glasswright_camera.edges.kernel.ring import Discs, Frame

    Array = NDArray[np.float64]

RINGS: Final = 2
"""The disc's middle, and the ring between it and the fitted range."""
FARTHER: Final = 6.0
"""Distance from the edge beyond which the middle begins, in 1/MTF50."""
MIDDLE: Final = 0.6
LEAST_MIDDLE: Final = 3.0
"""The middle of a small disc begins so many radii from the edge, and no nearer than so many 1/MTF50."""
FAR_REACH: Final = 14.0
FAR_STEP: Final = 0.25
"""Reach and step of the table of profiles, in 1/MTF50; farther in, its last value is used."""
LARGEST_MOVE_PX: Final = 2.0
"""Largest distance of a fitted centre from the expected one; nearer to the edge no pixel can lie far from it."""
LEAST_PIXELS: Final = 20
"""Fewest pixels of a plane in a ring; the noise of their mean is a quarter of one pixel's."""
EVERY_ROW: Final = 2
"""Every second row of the colour pattern's cells is used: half of the pixels in half of the time."""


@cache
def far_tables(pitch: float | None = None) -> Array:
    """Return the mean profile and the even shapes out to FAR_REACH: (curvatures, points, 1 + EVEN_COUNT).

    `pitch` is that of `curved_tables`. Computed once in a process.
    """
    place = np.linspace(-FAR_REACH, 0.0, round(FAR_REACH / FAR_STEP) + 1)
    return np.stack([curved_profiles(curvature, pitch, place) for curvature in CURVATURES])


@compiled_in_any_order
def measure_far_light(
    frame: Frame, discs: Discs, tables: Array, curvatures: Array, fits: Fits, far_light: Array, middle_light: Array
) -> None:
    """Fill `far_light`, (planes, discs, RINGS): mean light less the fit's prediction, of the edge's step.

    And `middle_light`, (planes, discs): mean light in the disc's middle less the fitted dark level, of the step. The
    middle begins FARTHER blurs from the edge, in small discs MIDDLE radii if that is LEAST_MIDDLE blurs. Both are
    NaN where a disc was not measured or a ring has too few pixels of a plane. `tables` is from `far_tables`.
    """
    values, pattern, black, white = frame.values, frame.pattern, frame.black, frame.white
    channels, height, width = values.shape
    rows, columns = pattern.shape[1], pattern.shape[2]
    planes, points = fits.value.shape[0], tables.shape[1]
    per_dn = 1.0 / (white - black)
    profile, rate, most_left = np.empty((planes, points)), np.empty(planes), np.empty(planes)
    distances, normal_x, normal_y = np.empty(width), np.empty(width), np.empty(width)
    number, total, middle = np.empty((planes, RINGS)), np.empty((planes, RINGS)), np.empty((planes, 2))
    for which in range(len(discs.radius_px)):
        known = fits.value[:, which, ENDING] == MEASURED
        if not known.any():
            continue
        disc = one_disc(discs, which)
        radius_px, radius_mm, inverse = disc.radius_px, disc.radius_mm, disc.inverse
        c, s = math.cos(disc.radial), math.sin(disc.radial)
        nearest = MIDDLE * radius_px
        for plane in range(planes):
            if known[plane]:
                own = fits.value[plane, which]
                unit = math.sqrt(own[WIDTH])
                rate[plane] = 1 / unit
                nearest = min(nearest, FITTED_REACH * unit)
                k, t = find_curvature(curvatures, unit / radius_px)
                for i in range(points):
                    light = 0.0
                    for j in range(1 + EVEN_COUNT):
                        amount = 1.0 if j == 0 else own[EVEN_0 + j - 1]
                        light += amount * ((1 - t) * tables[k, i, j] + t * tables[k + 1, i, j])
                    profile[plane, i] = light
                most_left[plane] = MOST_SIGMAS * math.sqrt(own[NOISE]) / own[CONTRAST] + FINE_SLACK
        number[:, :] = 0.0
        total[:, :] = 0.0
        middle[:, :] = 0.0
        x0, y0 = disc.centre[0], disc.centre[1]
        inner = disc.limit[0]
        # on the print a pixel's distance inside the edge is that in the frame times the shortest step or more
        ellipse = ellipse_of(inverse)
        depth = nearest - LARGEST_MOVE_PX
        outside = max(radius_mm - depth * (ellipse.least if depth > 0 else ellipse.most), 0.0) ** 2
        inside = max(radius_mm - inner * ellipse.least, 0.0) ** 2
        half_y = half_height(ellipse, outside)
        first = math.floor(y0) // rows
        for y in range(max(0, math.ceil(y0 - half_y)), min(height, math.floor(y0 + half_y) + 1)):
            if (y // rows - first) % EVERY_ROW:
                continue
            i, offset_y = y % rows, y - y0
            row_middle, reach = row_of(ellipse, outside, offset_y)
            _, hole = row_of(ellipse, inside, offset_y)
            start, stop = (
                max(0, math.ceil(x0 + row_middle - reach)),
                min(width, math.floor(x0 + row_middle + reach) + 1),
            )
            for shifted in range(min(columns, max(stop - start, 0))):
                j, x_first = (start + shifted) % columns, start + shifted
                for channel in range(channels):
                    plane, dark, scale = pattern[channel, i, j], black[channel, i, j], per_dn[channel, i, j]
                    if not known[plane]:
                        continue
                    own, curve = fits.value[plane, which], row_gain(disc.gain[plane], offset_y)
                    count = (stop - x_first + columns - 1) // columns
                    row_distances(
                        x_first - own[CENTRE], columns, count, y - own[CENTRE + 1], inverse, radius_mm,
                        distances, normal_x, normal_y,
                    )  # fmt: skip
                    for n in range(count):
                        x, d = x_first + n * columns, distances[n]
                        raw, offset_x = values[channel, y, x], x - x0
                        if raw >= white:
                            continue
                        if abs(offset_x - row_middle) <= hole:
                            rough, _, _ = edge_distance(offset_x, offset_y, inverse, radius_mm)
                            if rough < -inner:
                                continue
                        u = (d - own[SHIFT]) * rate[plane]
                        is_middle = u < -FARTHER or (d < -MIDDLE * radius_px and u < -LEAST_MIDDLE)
                        if u > -FITTED_REACH and not is_middle:
                            continue
                        place = (max(u, -FAR_REACH) + FAR_REACH) * (1 / FAR_STEP)
                        k = min(int(place), points - 2)
                        e = profile[plane, k] + (place - k) * (profile[plane, k + 1] - profile[plane, k])
                        gain = curve[0] + offset_x * (curve[1] + offset_x * curve[2])
                        nx, ny = normal_x[n], normal_y[n]
                        along, across = nx * c + ny * s, ny * c - nx * s
                        slope = 1.0 + (1.0 + d / radius_px) * (own[GRADIENT_X] * along + own[GRADIENT_Y] * across)
                        light = (raw - dark) * scale / (gain * slope)
                        left = (light - own[DARK]) / own[CONTRAST] - e
                        if abs(left) > most_left[plane]:
                            continue
                        if is_middle:
                            middle[plane, 0] += 1
                            middle[plane, 1] += left + e
                        if u <= -FITTED_REACH:
                            ring = 0 if u < -FARTHER else 1
                            number[plane, ring] += 1
                            total[plane, ring] += left
        for plane in range(planes):
            for ring in range(RINGS):
                if known[plane] and number[plane, ring] >= LEAST_PIXELS:
                    far_light[plane, which, ring] = total[plane, ring] / number[plane, ring]
            if known[plane] and middle[plane, 0] >= LEAST_PIXELS:
                middle_light[plane, which] = middle[plane, 1] / middle[plane, 0]
