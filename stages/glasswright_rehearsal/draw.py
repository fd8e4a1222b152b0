"""The fast renderer's one hot loop: look up each pixel's coverage by signed distance from the edge."""

from __future__ import annotations

from math import atan2, cos, hypot, pi, sin, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from glasswright_rehearsal.profiles import DIRECTIONS, STEP_PX

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]


@njit(cache=True, inline="always")
def _polar_radius(radius: Array, c: float, s: float) -> tuple[float, float, float]:
    """Give radius, slope and second derivative of the edge's polar form at the angle of (c, s)."""
    value, slope, bend = radius[0], 0.0, 0.0
    ck, sk = c, s
    for k in range(2, (len(radius) - 1) // 2 + 1):
        ck, sk = ck * c - sk * s, sk * c + ck * s
        a, b = radius[2 * k - 1], radius[2 * k]
        value += a * ck + b * sk
        slope += k * (b * ck - a * sk)
        bend -= k * k * (a * ck + b * sk)
    return value, slope, bend


@njit(cache=True, inline="always")
def _foot(radius: Array, dx: float, dy: float, r: float) -> tuple[float, float, float]:
    """Give the signed distance (outside positive), the direction of the normal and the curvature at the edge's
    nearest point, by three Newton steps from the point at the pixel's own angle."""
    c, s = dx / r, dy / r
    for _ in range(3):
        value, slope, bend = _polar_radius(radius, c, s)
        bx, by = value * c, value * s
        tx, ty = slope * c - value * s, slope * s + value * c
        ax, ay = bend * c - 2 * slope * s - value * c, bend * s + 2 * slope * c - value * s
        gap_x, gap_y = dx - bx, dy - by
        step = (gap_x * tx + gap_y * ty) / (tx * tx + ty * ty - gap_x * ax - gap_y * ay)
        cs, ss = cos(step), sin(step)
        c, s = c * cs - s * ss, s * cs + c * ss
    value, slope, bend = _polar_radius(radius, c, s)
    speed = sqrt(value * value + slope * slope)
    nx, ny = (value * c + slope * s) / speed, (value * s - slope * c) / speed
    distance = (dx - value * c) * nx + (dy - value * s) * ny
    curvature = (value * value + 2 * slope * slope - value * bend) / (speed * speed * speed)
    return distance, atan2(ny, nx), curvature


@njit(cache=True, inline="always")
def _cubic(a: float, b: float, c: float, d: float, t: float) -> float:
    """Give the value between b and c of the cubic through four even samples (Lagrange)."""
    return (
        -a * t * (t - 1) * (t - 2) / 6
        + b * (t + 1) * (t - 1) * (t - 2) / 2
        - c * (t + 1) * t * (t - 2) / 2
        + d * (t + 1) * t * (t - 1) / 6
    )


@njit(cache=True, inline="always")
def _look_up(table: Array32, direction: float, place: float) -> float:
    """Read a near table (directions, distances) by bicubic interpolation."""
    row, column = int(direction), int(place)
    u, v = direction - row, place - column
    values = (0.0, 0.0, 0.0, 0.0)
    first = _cubic(table[row, column - 1], table[row, column], table[row, column + 1], table[row, column + 2], v)
    row1 = row + 1
    second = _cubic(table[row1, column - 1], table[row1, column], table[row1, column + 1], table[row1, column + 2], v)
    row2 = row + 2
    third = _cubic(table[row2, column - 1], table[row2, column], table[row2, column + 1], table[row2, column + 2], v)
    row3 = row + 3
    fourth = _cubic(table[row3, column - 1], table[row3, column], table[row3, column + 1], table[row3, column + 2], v)
    values = (first, second, third, fourth)
    return _cubic(values[0], values[1], values[2], values[3], u)


@njit(cache=True, nogil=True)
def draw_discs(
    picture: Array32,
    pattern: NDArray[np.int64],
    sign: float,
    centre: Array,
    radius: Array,
    near: Array32,
    tail: Array32,
    radii: tuple[float, float],
    near_px: float,
    far_px: float,
) -> None:
    """Add the coverage of discs to a picture.

    Parameters
    ----------
    picture
        (channels, height, width), added to in place.
    pattern
        (channels, period height, period width): plane of each site.
    sign
        1 for a disc, -1 for a hole.
    centre, radius
        (planes, discs, 2) and (planes, discs, 1 + 2 harmonics), see `Edges`.
    near, tail
        (planes, discs, ...), see `Profiles`.
    radii, near_px, far_px
        See `Kernels`.
    """
    channels, height, width = picture.shape
    curvature_0, curvature_1 = 1 / radii[0], 1 / radii[1]
    last_tail = tail.shape[-1] - 2
    for disc in range(centre.shape[1]):
        reach = np.max(radius[:, disc, 0]) * 1.15 + far_px
        x0, x1 = np.min(centre[:, disc, 0]) - reach, np.max(centre[:, disc, 0]) + reach
        y0, y1 = np.min(centre[:, disc, 1]) - reach, np.max(centre[:, disc, 1]) + reach
        for y in range(max(0, int(y0)), min(height, int(y1) + 2)):
            for x in range(max(0, int(x0)), min(width, int(x1) + 2)):
                for channel in range(channels):
                    plane = pattern[channel, y % pattern.shape[1], x % pattern.shape[2]]
                    edge = radius[plane, disc]
                    dx, dy = x - centre[plane, disc, 0], y - centre[plane, disc, 1]
                    r = hypot(dx, dy)
                    if r > reach:
                        continue
                    if r < 1e-9:
                        dx, r = 1e-9, 1e-9
                    rough = r - _polar_radius(edge, dx / r, dy / r)[0]
                    distance, direction, curvature = rough, 0.0, 1 / edge[0]
                    if abs(rough) < 1.2 * near_px + 1.0 and r > 0.3 * edge[0]:
                        distance, direction, curvature = _foot(edge, dx, dy, r)
                    if distance >= far_px:
                        continue
                    share = (curvature - curvature_0) / (curvature_1 - curvature_0)
                    if abs(distance) < near_px:
                        turn = (direction % pi) * DIRECTIONS / pi
                        place = (distance + near_px) / STEP_PX + 1.0
                        first = _look_up(near[plane, disc, 0], turn, place)
                        second = _look_up(near[plane, disc, 1], turn, place)
                        value = first + share * (second - first)
                    else:
                        place = min(max(distance + radii[0], 0.0), last_tail - 1.0)
                        column = int(place)
                        u = place - column
                        t = tail[plane, disc]
                        first = t[0, column] * (1 - u) + t[0, column + 1] * u
                        second = t[1, column] * (1 - u) + t[1, column + 1] * u
                        value = first + share * (second - first)
                        if distance > 0.7 * far_px:
                            fade = (far_px - distance) / (0.3 * far_px)
                            value *= fade * fade * (3 - 2 * fade)
                    picture[channel, y, x] += sign * value
