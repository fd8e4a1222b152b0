"""Inner loop of the fast renderer: look up each pixel's coverage by its signed distance from the edge."""

from __future__ import annotations

from math import atan2, cos, hypot, pi, sin, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from glasswright_rehearsal.optics.profiles import DIRECTIONS, STEP_PX

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

FADE_SHARE = 0.3
"""Outer fraction of the tail over which it fades out, so that its end makes no edge."""


@njit(cache=True, inline="always")
def _polar_radius(radius: Array, plane: int, disc: int, c: float, s: float) -> tuple[float, float, float]:
    """Return radius, slope and second derivative of the edge's polar form at the angle of (c, s)."""
    value, slope, second = radius[plane, disc, 0], 0.0, 0.0
    ck, sk = c, s
    for k in range(2, (radius.shape[2] - 1) // 2 + 1):
        ck, sk = ck * c - sk * s, sk * c + ck * s
        a, b = radius[plane, disc, 2 * k - 1], radius[plane, disc, 2 * k]
        value += a * ck + b * sk
        slope += k * (b * ck - a * sk)
        second -= k * k * (a * ck + b * sk)
    return value, slope, second


@njit(cache=True, inline="always")
def _foot(radius: Array, plane: int, disc: int, dx: float, dy: float, r: float) -> tuple[float, float, float]:
    """Return the signed distance (outside positive), the direction of the normal and the curvature at the edge's
    nearest point, by three Newton steps from the point at the pixel's own angle."""
    c, s = dx / r, dy / r
    for _ in range(3):
        value, slope, second = _polar_radius(radius, plane, disc, c, s)
        bx, by = value * c, value * s
        tx, ty = slope * c - value * s, slope * s + value * c
        ax, ay = second * c - 2 * slope * s - value * c, second * s + 2 * slope * c - value * s
        gap_x, gap_y = dx - bx, dy - by
        step = (gap_x * tx + gap_y * ty) / (tx * tx + ty * ty - gap_x * ax - gap_y * ay)
        cs, ss = cos(step), sin(step)
        c, s = c * cs - s * ss, s * cs + c * ss
    value, slope, second = _polar_radius(radius, plane, disc, c, s)
    speed = sqrt(value * value + slope * slope)
    nx, ny = (value * c + slope * s) / speed, (value * s - slope * c) / speed
    distance = (dx - value * c) * nx + (dy - value * s) * ny
    curvature = (value * value + 2 * slope * slope - value * second) / (speed * speed * speed)
    return distance, atan2(ny, nx), curvature


@njit(cache=True, inline="always")
def _cubic(a: float, b: float, c: float, d: float, t: float) -> float:
    """Return the value between b and c of the cubic through four equidistant samples (Lagrange)."""
    return (
        -a * t * (t - 1) * (t - 2) / 6
        + b * (t + 1) * (t - 1) * (t - 2) / 2
        - c * (t + 1) * t * (t - 2) / 2
        + d * (t + 1) * t * (t - 1) / 6
    )


@njit(cache=True, inline="always")
def _look_along(near: Array32, plane: int, disc: int, side: int, row: int, column: int, t: float) -> float:
    """Interpolate one direction of a near table."""
    a, b = near[plane, disc, side, row, column - 1], near[plane, disc, side, row, column]
    c, d = near[plane, disc, side, row, column + 1], near[plane, disc, side, row, column + 2]
    return float(_cubic(a, b, c, d, t))


@njit(cache=True)
def _look_up(near: Array32, plane: int, disc: int, side: int, direction: float, place: float) -> float:
    """Interpolate the near table of one of the two radii bicubically."""
    row, column = int(direction), int(place)
    t = place - column
    a = _look_along(near, plane, disc, side, row, column, t)
    b = _look_along(near, plane, disc, side, row + 1, column, t)
    c = _look_along(near, plane, disc, side, row + 2, column, t)
    d = _look_along(near, plane, disc, side, row + 3, column, t)
    return float(_cubic(a, b, c, d, direction - row))


@njit(cache=True)
def _cover(
    dx: float,
    dy: float,
    plane: int,
    disc: int,
    radius: Array,
    near: Array32,
    tail: Array32,
    odd: Array32,
    curvatures: tuple[float, float],
    near_px: float,
    far_px: float,
) -> float:
    """Return one disc's coverage in one plane at a pixel (dx, dy) from its centre; see `draw_discs`.

    The whole arrays are passed and indexed here: a view for each pixel would cost more than the look-up.
    """
    r = max(hypot(dx, dy), 1e-9)
    distance = r - _polar_radius(radius, plane, disc, dx / r, dy / r)[0]
    direction, curvature = 0.0, 1 / radius[plane, disc, 0]
    if abs(distance) < 1.2 * near_px + 1.0 and r > 0.3 * radius[plane, disc, 0]:
        distance, direction, curvature = _foot(radius, plane, disc, dx, dy, r)
    if distance >= far_px:
        return 0.0
    share = (curvature - curvatures[0]) / (curvatures[1] - curvatures[0])
    if abs(distance) < near_px:
        turn = (direction % pi) * DIRECTIONS / pi
        place = (distance + near_px) / STEP_PX + 1.0
        first = _look_up(near, plane, disc, 0, turn, place)
        value = first + share * (_look_up(near, plane, disc, 1, turn, place) - first)
        if odd.shape[4]:
            first = _look_up(odd, plane, disc, 0, turn, place)
            odd_part = first + share * (_look_up(odd, plane, disc, 1, turn, place) - first)
            # the odd part changes sign over the half turn that `%` removed
            value += odd_part if direction % (2 * pi) < pi else -odd_part
        return float(value)
    place = min(max(distance + 1 / curvatures[0], 0.0), tail.shape[3] - 3.0)
    column = int(place)
    t = place - column
    first = tail[plane, disc, 0, column] * (1 - t) + tail[plane, disc, 0, column + 1] * t
    second = tail[plane, disc, 1, column] * (1 - t) + tail[plane, disc, 1, column + 1] * t
    fade = min((far_px - distance) / (FADE_SHARE * far_px), 1.0)
    return float((first + share * (second - first)) * fade * fade * (3 - 2 * fade))


@njit(cache=True, nogil=True)
def draw_discs(
    picture: Array32,
    pattern: NDArray[np.int64],
    sign: float,
    centre: Array,
    radius: Array,
    near: Array32,
    tail: Array32,
    odd: Array32,
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
    near, tail, odd
        (planes, discs, ...), see `Profiles`.
    radii, near_px, far_px
        See `Kernels`.
    """
    channels, height, width = picture.shape
    curvatures = (1 / radii[0], 1 / radii[1])
    for disc in range(centre.shape[1]):
        side = np.max(radius[:, disc, 0]) * 1.15 + far_px
        x0, x1 = np.min(centre[:, disc, 0]) - side, np.max(centre[:, disc, 0]) + side
        y0, y1 = np.min(centre[:, disc, 1]) - side, np.max(centre[:, disc, 1]) + side
        for y in range(max(0, int(y0)), min(height, int(y1) + 2)):
            for x in range(max(0, int(x0)), min(width, int(x1) + 2)):
                for channel in range(channels):
                    plane = pattern[channel, y % pattern.shape[1], x % pattern.shape[2]]
                    dx, dy = x - centre[plane, disc, 0], y - centre[plane, disc, 1]
                    if dx * dx + dy * dy < side * side:
                        value = _cover(dx, dy, plane, disc, radius, near, tail, odd, curvatures, near_px, far_px)
                        picture[channel, y, x] += sign * value
