"""Measurement of known discs on the small frame: grey-weighted centre and radius, contrast, free paper around."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from numpy.typing import NDArray

RAYS = 32
REACH_RADII = 4.0
"""Distance from a disc's centre up to which its paper is checked, in radii."""
PAPER_DARK, PAPER_LIGHT = 0.72, 1.4
PAPER_AGAIN = 0.78
"""Shares of the local paper level: below the first or above the second there is something other than paper; above the
third a disc's own soft edge has ended. The first and third are for a print of full contrast."""
LOOK_STEP = 0.5
SOFT_EDGE_STEPS = 4
"""Step along a ray, in pixels, and successive steps on paper after which a disc's own edge has ended. In photographs of
soft discs (MTF50 times radius 0.9 to 2, noise 3 % of the step) one or two steps may reach paper within the edge."""
FULL_CONTRAST = 0.7
"""Contrast from which on a disc counts as of full contrast; beside fainter discs fainter things count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Discs:
    """Discs as measured, in small-frame pixels; NaN where nothing could be measured."""

    place: NDArray[np.float64]
    """(discs, 2): x and y."""
    radius: NDArray[np.float64]
    """(discs,): of the circle that removes the same light; a ring's hole counts as dark."""
    paper: NDArray[np.float64]
    """(discs,): light of the paper at the disc's centre."""
    contrast: NDArray[np.float64]
    """(discs,): paper less dark over paper."""
    core: NDArray[np.float64]
    """(discs,): light of the innermost part, 0 dark, 1 paper."""
    soiled: NDArray[np.float64]
    """(discs,): share of the surrounding area that is not paper."""
    clipped: NDArray[np.float64]
    """(discs,): share of clipped pixels on and around the disc."""
    clear: NDArray[np.float64]
    """(discs,): paper free of other things, outwards from the disc's edge."""


@njit(cache=True, nogil=True)
def _solve_plane(
    n: int, x: float, y: float, xx: float, xy: float, yy: float, z: float, zx: float, zy: float
) -> tuple[float, float, float]:
    """Return a, b, c of the plane a + b x + c y fitted to n points, from the sums of x, y, xx and so on."""
    if n < 6:
        return np.nan, 0.0, 0.0
    mx, my, mz = x / n, y / n, z / n
    cxx, cxy, cyy = xx / n - mx * mx, xy / n - mx * my, yy / n - my * my
    czx, czy = zx / n - mz * mx, zy / n - mz * my
    det = cxx * cyy - cxy * cxy
    if det < 1e-9:
        return mz, 0.0, 0.0
    b, c = (czx * cyy - czy * cxy) / det, (czy * cxx - czx * cxy) / det
    return mz - b * mx - c * my, b, c


@njit(cache=True, nogil=True)
def _fit_paper(
    light: NDArray[np.float32], x: float, y: float, inner: float, outer: float
) -> tuple[float, float, float, float]:
    """Return a plane fitted to the paper in an annulus without outliers, and the share left out."""
    rows, columns = light.shape
    plane = (0.0, 0.0, 0.0)
    soiled = 0.0
    for turn in range(3):
        n, sx, sy, sxx, sxy, syy, sz, szx, szy = 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        seen = 0
        for i in range(max(int(y - outer), 0), min(int(y + outer) + 2, rows)):
            for j in range(max(int(x - outer), 0), min(int(x + outer) + 2, columns)):
                dx, dy = j - x, i - y
                away = np.sqrt(dx * dx + dy * dy)
                if away < inner or away > outer:
                    continue
                z = light[i, j]
                seen += 1
                if turn:
                    level = plane[0] + plane[1] * dx + plane[2] * dy
                    # at first only dark pixels are left out, as many of them pull the plane down
                    if z < (0.6 if turn == 1 else 0.8) * level or z > (9.0 if turn == 1 else 1.25) * level:
                        continue
                n += 1
                sx += dx
                sy += dy
                sxx += dx * dx
                sxy += dx * dy
                syy += dy * dy
                sz += z
                szx += z * dx
                szy += z * dy
        plane = _solve_plane(n, sx, sy, sxx, sxy, syy, sz, szx, szy)
        soiled = 1.0 - n / seen if seen else 1.0
    return plane[0], plane[1], plane[2], soiled


# numpy's error model: a blob exactly as light as its paper has depth 0, and division by it must give NaN
@njit(cache=True, nogil=True, error_model="numpy")
def _weigh(
    light: NDArray[np.float32], x: float, y: float, radius: float, plane: tuple[float, float, float, float], hole: float
) -> tuple[float, float, float, float, float]:
    """Return grey-weighted centre x and y, radius, and light of the dark part and of the core, both over paper."""
    rows, columns = light.shape
    reach = 1.45 * radius + 0.5
    shade, shades, inner, inners, core, cores = 0.0, 0, 0.0, 0, 0.0, 0
    for i in range(max(int(y - radius), 0), min(int(y + radius) + 2, rows)):
        for j in range(max(int(x - radius), 0), min(int(x + radius) + 2, columns)):
            dx, dy = j - x, i - y
            away = np.sqrt(dx * dx + dy * dy) / radius
            share = light[i, j] / (plane[0] + plane[1] * dx + plane[2] * dy)
            if hole + 0.1 < away < 0.8:
                shade += share
                shades += 1
            if away < 0.45:
                inner += share
                inners += 1
            if away < max(0.4 * hole, 0.7 / radius):
                core += share
                cores += 1
    if shades == 0 or inners == 0 or cores == 0:
        return np.nan, np.nan, np.nan, np.nan, np.nan
    # the inside is darkest in a soft disc, the part outside the hole in a ring
    dark = min(shade / shades, inner / inners)
    area, sx, sy = 0.0, 0.0, 0.0
    for i in range(max(int(y - reach), 0), min(int(y + reach) + 2, rows)):
        for j in range(max(int(x - reach), 0), min(int(x + reach) + 2, columns)):
            dx, dy = j - x, i - y
            away = np.sqrt(dx * dx + dy * dy)
            # the window's border fades over a pixel, so that the centre does not move in steps
            share = min(max(reach - away + 0.5, 0.0), 1.0)
            level = plane[0] + plane[1] * dx + plane[2] * dy
            depth = (1.0 - light[i, j] / level) / (1.0 - dark)
            # a ring's hole counts as dark: it is inside the disc's edge
            weight = 1.0 if away < (hole + 0.15) * radius else min(max(depth, -0.25), 1.1)
            area += share * weight
            sx += share * weight * dx
            sy += share * weight * dy
    if area <= 0:
        return np.nan, np.nan, np.nan, np.nan, np.nan
    return x + sx / area, y + sy / area, np.sqrt(area / np.pi), dark, core / cores


@njit(cache=True, nogil=True)
def _look_out(
    light: NDArray[np.float32],
    x: float,
    y: float,
    radius: float,
    plane: tuple[float, float, float, float],
    contrast: float,
) -> float:
    """Return the distance from a disc's edge, past its soft rim, to the first thing along any ray that is not paper."""
    rows, columns = light.shape
    strength = min(max(contrast, 0.0) / FULL_CONTRAST, 1.0)
    dark, again = 1.0 - strength * (1.0 - PAPER_DARK), 1.0 - strength * (1.0 - PAPER_AGAIN)
    # beside a faint disc the slope of the light matters
    slope_x, slope_y = (plane[1], plane[2]) if contrast < FULL_CONTRAST else (0.0, 0.0)
    nearest = (REACH_RADII - 1.0) * radius
    for ray in range(RAYS):
        c, s = np.cos(2 * np.pi * ray / RAYS), np.sin(2 * np.pi * ray / RAYS)
        on_paper = 0
        away = 0.8 * radius
        while away < radius + nearest:
            j, i = int(np.rint(x + away * c)), int(np.rint(y + away * s))
            if i < 0 or j < 0 or i >= rows or j >= columns:
                nearest = away - radius
                break
            share = light[i, j] / max(plane[0] + slope_x * away * c + slope_y * away * s, 0.1 * plane[0])
            if on_paper < SOFT_EDGE_STEPS:
                on_paper = on_paper + 1 if share > again else 0
                if not on_paper and away > 1.8 * radius:
                    nearest = 0.0
                    break
            elif share < dark or share > PAPER_LIGHT:
                nearest = away - radius
                break
            away += LOOK_STEP
    return max(nearest, 0.0)


@njit(cache=True, nogil=True)
def _share_clipped(clipped: NDArray[np.float32], x: float, y: float, reach: float) -> float:
    """Return the mean share of clipped pixels within a circle."""
    rows, columns = clipped.shape
    total, count = 0.0, 0
    for i in range(max(int(y - reach), 0), min(int(y + reach) + 2, rows)):
        for j in range(max(int(x - reach), 0), min(int(x + reach) + 2, columns)):
            if (j - x) ** 2 + (i - y) ** 2 <= reach * reach:
                total += clipped[i, j]
                count += 1
    return total / count if count else 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def _measure(
    light: NDArray[np.float32],
    clipped: NDArray[np.float32],
    place: NDArray[np.float64],
    radius: NDArray[np.float64],
    hole: float,
) -> NDArray[np.float64]:
    """Measure each disc in three turns, each from the place the last one found."""
    found = np.full((len(place), 9), np.nan)
    for k in range(len(place)):
        x, y, r = place[k, 0], place[k, 1], radius[k]
        start_x, start_y, start_r = x, y, r
        dark, core = np.nan, np.nan
        plane = (np.nan, 0.0, 0.0, 1.0)
        for _ in range(3):
            plane = _fit_paper(light, x, y, 1.5 * r + 0.5, 2.0 * r + 1.0)
            if not plane[0] > 0:
                break
            x, y, r, dark, core = _weigh(light, x, y, r, plane, hole)
            moved = np.hypot(x - start_x, y - start_y)
            if not (moved < start_r and 0.5 * start_r < r < 2.0 * start_r):
                r = np.nan
                break
        if not (plane[0] > 0 and r > 0):
            continue
        found[k, 0], found[k, 1], found[k, 2], found[k, 3] = x, y, r, plane[0]
        found[k, 4], found[k, 5], found[k, 6] = 1.0 - dark, (core - dark) / (1.0 - dark), plane[3]
        found[k, 7] = _share_clipped(clipped, x, y, 2.0 * r + 1.0)
        found[k, 8] = _look_out(light, x, y, r, plane, 1.0 - dark)
    return found


def measure_discs(
    light: NDArray[np.float32],
    clipped: NDArray[np.float32],
    place: NDArray[np.float64],
    radius: NDArray[np.float64],
    hole_share: float,
) -> Discs:
    """Measure discs at known rough places.

    Parameters
    ----------
    light, clipped
        (rows, columns): the small frame.
    place, radius
        (discs, 2), (discs,): rough places, good to a third of the radius, and radii.
    hole_share
        Diameter of a ring mark's hole over the disc's. The inner part of every disc is not weighted, so that rings are
        measured like other discs.
    """
    found = _measure(light, clipped, np.ascontiguousarray(place), np.ascontiguousarray(radius), hole_share)
    return Discs(
        place=found[:, :2],
        radius=found[:, 2],
        paper=found[:, 3],
        contrast=found[:, 4],
        core=found[:, 5],
        soiled=found[:, 6],
        clipped=found[:, 7],
        clear=found[:, 8],
    )
