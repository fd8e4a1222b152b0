"""Every disc of a frame, one after the other: ring, first look, fit. This is the one hot loop of the bench."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled
from glasswright_camera.edges.kernel.bins import (
    BINS,
    CELL_COLUMNS,
    DIRECTIONS,
    DISTANCE_MEAN,
    LIGHT_MEAN,
    NUMBER,
    gather,
    plateau_variance,
)
from glasswright_camera.edges.kernel.curved import bend_table
from glasswright_camera.edges.kernel.equations import Sighting
from glasswright_camera.edges.kernel.fit import fit_edge
from glasswright_camera.edges.kernel.parameters import (
    CONTRAST,
    DARK,
    GRADIENT,
    PARAMETERS,
    SHIFT,
    WIDTH,
    angular_factors,
    factor_slopes,
)
from glasswright_camera.edges.kernel.prior import FIRST_SHARES, expect, find_shares
from glasswright_camera.edges.kernel.ring import COLUMNS, LOOK, collect_ring, first_look
from glasswright_camera.edges.kernel.shapes import FITTED_REACH
from glasswright_camera.edges.kernel.turning import TURNING_POINTS, add_turning

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.spread import EdgeSpread

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

HALF_SIGMA: Final = 0.18739
"""MTF50 times sigma of a Gaussian: sqrt(ln 2 / 2) / pi."""
FIRST_RING_PX: Final = 16.0
SAMPLED_FROM_ROWS: Final = 16
"""Discs with a radius of so many of the colour pattern's cells are first looked at in every third row of cells."""
MOVED_PX: Final = 0.1
"""A fit that moves its centre further than this is done again about the new centre."""
BEND_CHANGED: Final = 0.006
"""The same for the edge's bend (1/MTF50 over the radius), which the shapes' table follows."""
OWN_SHARES: Final = 1.5
SHARES_OF_GUIDE: Final = 0.5
"""How much the part of the covariance counts that expectation leaves open: 1 if it were known how blurs are spread. A
plane whose own noise has said how much to expect scatters more than that, others scatter less. So that 95 % intervals
hold 95 % over many blurs, among them faint ones, that the accuracy table does not hold."""

SPARE: Final = PARAMETERS
"""Rows behind the fit's parameters: centre x and y, pixel variance dark and light, chi-square, misfit and the share of
the edge that was left out (see `fit_edge`), and how it ended."""
ENDING: Final = SPARE + 7
"""One of the following."""
ROWS: Final = PARAMETERS + 8
NO_EDGE, NO_LEVEL, NO_REST, SPOILT, TOO_SHARP, MEASURED, WHOLE_DISC = 0, 1, 2, 3, 4, 5, 6
MOST_LEFT_OUT: Final = 0.25
"""Share of an edge's cells that may be left out as unlike an edge. One speck of dust takes an eighth; what is left of
an edge that loses more has been seen to read up to a quarter off."""


@compiled
def walk_discs(
    values: NDArray[np.uint16],
    pattern: Counts,
    black: Array,
    white: float,
    gain: Array,
    centre: Array,
    maps: Array,
    radius_px: Array,
    limit: Array,
    radial: Array,
    tables: Array,
    turning: Array,
    bends: Array,
    usual: EdgeSpread,
    profile_step: float,
    value: Array,
    covariance: Array,
    profile: Array,
) -> None:
    """Fit the edges of all discs in all planes.

    Parameters
    ----------
    values, pattern, black, white
        The mosaic: see `Mosaic`.
    gain
        (planes, discs, 6): see `collect_ring`.
    centre, maps, radius_px
        (discs, 2) px, (discs, 2, 2) px for each print mm, (discs,) px as seen.
    limit
        (discs, 2): how far inside and outside the edge a disc may be looked at, px.
    radial
        (discs,): direction of the image radius at the disc, radian.
    tables, turning, bends
        Shapes for each bend: see `bent_tables` and `turning_tables`.
    usual
        How blurs are spread: see `spread`.
    profile_step
        Step of `profile` in px.
    value, covariance, profile
        Filled: (planes, discs, ROWS), (planes, discs, PARAMETERS, PARAMETERS), (planes, discs, 2, distances).
        Rows of discs that failed stay NaN.
    """
    planes, discs = gain.shape[0], centre.shape[0]
    count = np.zeros(planes, dtype=np.int64)
    look = np.zeros((planes, LOOK))
    seen = np.zeros(planes, dtype=np.bool_)
    first = np.array(FIRST_SHARES)
    shares = first.copy()
    pixel = np.empty((planes, 0, COLUMNS))
    for disc in range(discs):
        scale = math.sqrt(abs(np.linalg.det(maps[disc])))
        inverse = np.linalg.inv(maps[disc])
        inner, outer = min(limit[disc, 0], FIRST_RING_PX), min(limit[disc, 1], FIRST_RING_PX)
        # a part of the pixels is enough to see how far to look, if the part goes all round the disc
        every = 3 if radius_px[disc] >= SAMPLED_FROM_ROWS * pattern.shape[1] else 1
        while True:
            room = values.shape[0] * int(math.pi * (1.3 * radius_px[disc] + outer + 3) ** 2) + 64
            if room > pixel.shape[1]:
                pixel = np.empty((planes, room, COLUMNS))
            collect_ring(
                values, pattern, black, white, gain[:, disc], centre[disc], inverse, radius_px[disc] / scale,
                inner, outer, every, pixel, count,
            )  # fmt: skip
            wanted = 0.0
            for plane in range(planes):
                seen[plane] = first_look(pixel[plane], count[plane], inner, outer, look[plane])
                if seen[plane]:
                    reach = FITTED_REACH * look[plane, 2] / HALF_SIGMA
                    wanted = max(wanted, reach + math.hypot(look[plane, 4], look[plane, 5]))
                else:
                    wanted = max(wanted, 2 * outer)
            grown_inner, grown_outer = min(limit[disc, 0], wanted), min(limit[disc, 1], wanted)
            enough = grown_inner <= 1.05 * inner and grown_outer <= 1.05 * outer
            if enough and every == 1:
                break
            # what was seen with too short a ring is seen again with a part, unless it was near
            near = grown_inner <= 1.6 * inner and grown_outer <= 1.6 * outer
            every = 1 if near else every
            inner, outer = max(grown_inner, inner), max(grown_outer, outer)
        fullest = int(np.argmax(count))
        shares[:] = first
        for turn in range(planes):
            plane = (fullest + turn) % planes
            value[plane, disc, ENDING] = NO_EDGE
            if seen[plane]:
                guided = turn > 0 and value[fullest, disc, ENDING] == MEASURED
                _fit_plane(
                    pixel[plane], count[plane], look[plane], centre[disc], radius_px[disc], radial[disc],
                    tables, turning, bends, usual, profile_step,
                    guided, value[fullest, disc], shares, value[plane, disc], covariance[plane, disc],
                    profile[plane, disc],
                )  # fmt: skip


@compiled
def _fit_plane(
    pixel: Array,
    count: int,
    look: Array,
    centre: Array,
    radius_px: float,
    radial: float,
    tables: Array,
    turning: Array,
    bends: Array,
    usual: EdgeSpread,
    profile_step: float,
    guided: bool,
    guide: Array,
    shares: Array,
    value: Array,
    covariance: Array,
    profile: Array,
) -> None:
    """Fit one disc in one plane, from the first look, and again about the centre so found if that moved.

    The plane with most pixels goes first, and finds how astigmatic and comatic the disc's blur is (`shares`); it is the
    guide of the others, which begin at its blur and its shares.
    """
    move = look[4:6].copy()
    start = np.zeros(PARAMETERS)
    unit = look[2] / HALF_SIGMA
    if guided:
        start[:] = guide[:PARAMETERS]
        start[GRADIENT:WIDTH] = 0.0
        unit = math.sqrt(start[WIDTH])
    start[DARK], start[CONTRAST], start[SHIFT], start[WIDTH] = look[0], look[1] - look[0], look[3], unit**2
    bend = unit / radius_px
    which, factor = np.empty(PARAMETERS, dtype=np.int64), np.empty((DIRECTIONS, PARAMETERS))
    slope = np.empty((DIRECTIONS, PARAMETERS))
    angular_factors(which, factor)
    factor_slopes(factor, slope)
    cell = np.empty((DIRECTIONS, BINS, CELL_COLUMNS))
    table = np.empty(tables.shape[1:])
    variance = np.empty(2)
    added = np.empty((DIRECTIONS, TURNING_POINTS))
    seen = Sighting(cell, radius_px, table, which, factor, slope, variance, added)
    fitted, toward = np.empty(PARAMETERS), np.empty(PARAMETERS)
    spread, prior = np.empty((PARAMETERS, PARAMETERS)), np.empty((PARAMETERS, PARAMETERS))
    stale, fresh, near = True, not guided, False
    for _ in range(5):
        if stale:
            gather(pixel, count, move, radius_px, radial, unit, cell)
            plateau_variance(cell, variance)
            if not (variance[0] > 0 and variance[1] > 0):
                value[ENDING] = NO_LEVEL
                return
        bend_table(tables, bends, bend, table)
        add_turning(turning, bends, bend, start, factor, added)
        expect(usual, start, shares, (bend * radius_px) ** 2, bend, prior, toward)
        quality, misfit, lost, rested = fit_edge(seen, start, prior, toward, near, fitted, spread)
        if fitted[WIDTH] < 1.0 or (not rested and fitted[WIDTH] < 1.5):
            value[ENDING] = TOO_SHARP
            return
        if not rested or not fitted[CONTRAST] > 0:
            value[ENDING] = NO_REST
            return
        start[:] = fitted
        near = True
        width = math.sqrt(fitted[WIDTH])
        stale = math.hypot(fitted[SHIFT + 1], fitted[SHIFT + 2]) >= MOVED_PX or not 0.7 < width / unit < 1.4
        settled = not stale and not fresh and abs(width / radius_px - bend) < BEND_CHANGED
        if fresh and not stale:
            find_shares(usual, fitted, spread, shares)
            fresh = False
        if settled:
            break
        bend = width / radius_px
        if stale:
            _move(move, fitted, radial)
            start[SHIFT + 1], start[SHIFT + 2] = 0.0, 0.0
            unit = width
    value[SPARE + 5], value[SPARE + 6] = misfit, lost
    if lost > MOST_LEFT_OUT:
        value[ENDING] = SPOILT
        return
    if not stale:
        _move(move, fitted, radial)
    value[:PARAMETERS] = fitted
    value[SPARE], value[SPARE + 1] = centre[0] + move[0], centre[1] + move[1]
    value[SPARE + 2], value[SPARE + 3] = variance[0], variance[1]
    value[SPARE + 4], value[ENDING] = quality, MEASURED
    left_open = spread @ prior @ spread
    weight = SHARES_OF_GUIDE if guided else OWN_SHARES
    covariance[:, :] = (spread + (weight - 1.0) * left_open) * max(quality, 0.5)
    _profile(cell, fitted, radius_px, profile_step, profile)


@compiled
def _move(move: Array, fitted: Array, radial: float) -> None:
    """Add the fitted shift, which is along and across the image radius, to a move along x and y."""
    c, s = math.cos(radial), math.sin(radial)
    move[0] += c * fitted[SHIFT + 1] - s * fitted[SHIFT + 2]
    move[1] += s * fitted[SHIFT + 1] + c * fitted[SHIFT + 2]


@compiled
def _profile(cell: Array, fitted: Array, radius_px: float, step: float, profile: Array) -> None:
    """Average the light by distance in the sagittal and the tangential quarter turns: 0 dark, 1 light."""
    length = profile.shape[1]
    half = (length - 1) / 2
    total, number = np.zeros((2, length)), np.zeros((2, length))
    for direction in range(DIRECTIONS):
        angle = (direction + 0.5) / DIRECTIONS * 2 * math.pi
        c, s, c2, s2 = math.cos(angle), math.sin(angle), math.cos(2 * angle), math.sin(2 * angle)
        shift = fitted[SHIFT] + fitted[SHIFT + 1] * c + fitted[SHIFT + 2] * s
        shift += fitted[SHIFT + 3] * c2 + fitted[SHIFT + 4] * s2
        along = 1 if c2 > 0 else 0
        for k in range(BINS):
            n = cell[direction, k, NUMBER]
            if n < 1:
                continue
            d = cell[direction, k, DISTANCE_MEAN]
            at = round((d - shift) / step + half)
            if 0 <= at < length:
                gain = 1.0 + (1.0 + d / radius_px) * (fitted[GRADIENT] * c + fitted[GRADIENT + 1] * s)
                light = cell[direction, k, LIGHT_MEAN] / gain
                total[along, at] += n * (light - fitted[DARK]) / fitted[CONTRAST]
                number[along, at] += n
    for along in range(2):
        for at in range(length):
            if number[along, at] > 0:
                profile[along, at] = total[along, at] / number[along, at]
