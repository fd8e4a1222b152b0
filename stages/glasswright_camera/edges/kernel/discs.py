"""Fit every disc of a frame: collect its ring, estimate its edge, fit it. This loop takes most of the time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.compiled import compiled, part
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
from glasswright_camera.edges.kernel.curved import interpolate_table
from glasswright_camera.edges.kernel.equations import FitData
from glasswright_camera.edges.kernel.fit import fit_edge
from glasswright_camera.edges.kernel.harmonics import HARMONIC_POINTS, add_harmonics
from glasswright_camera.edges.kernel.parameters import (
    CONTRAST,
    DARK,
    GRADIENT_X,
    GRADIENT_Y,
    PARAMETERS,
    SHIFT,
    SHIFT_C2,
    SHIFT_S2,
    SHIFT_X,
    SHIFT_Y,
    WIDTH,
    angular_factors,
    factor_slopes,
)
from glasswright_camera.edges.kernel.prior import PriorSettings, estimate_scales, fill_prior
from glasswright_camera.edges.kernel.ring import (
    COLUMNS,
    LOOK,
    Disc,
    Discs,
    Frame,
    collect_ring,
    first_look,
    one_disc,
    room_for_pixels,
)
from glasswright_camera.edges.kernel.shapes import FITTED_REACH, GAUSSIAN_SIGMA

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.moments import FamilyMoments

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

PROFILE_STEP: Final = 0.5
PROFILE_DISTANCE: Final = np.arange(-20.0, 20.01, PROFILE_STEP)
"""Distances from the edge, px, at which its mean profile is kept for drawings."""
FIRST_RING_PX: Final = 16.0
LIKE_THE_LAST: Final = 1.1
"""Reach of the first estimate: four blurs of MTF50 0.25, and then so many times what the disc before needed. A ring too
short is enlarged, so both only affect time."""
SAMPLED_FROM_ROWS: Final = 16
"""Radius, in cells of the colour pattern, from which on the first estimate takes every third row of cells; ten rows
cross the disc then."""
MOVED_PX: Final = 0.1
"""A fit that moves its centre further than this is repeated about the new centre. Moves are applied to second order; at
0.1 px the error is below 1e-3 px."""
CURVATURE_CHANGED: Final = 0.006
"""The same for the edge's curvature, on which the shapes depend; half and twice as much move MTF50 by less than 0.1 %
(`ci/bench ablation --settings`)."""
ENOUGH: Final = 1.05
NEARLY: Final = 1.6
"""Growth of the ring up to which it is kept, and up to which the next estimate takes all rows. For time only."""
ROUNDS: Final = 5
"""Most fits of one disc in one plane: two for a centre that moves, one with the estimated scales, one at the fitted
curvature, one spare."""
LEAST_UNIT, MOST_UNIT = 0.7, 1.4
"""Limits of the fitted width over the one that the cells were made for; beyond them the cells are made anew. Within,
a core step is 0.2 to 0.43 of a Gaussian's sigma."""
SHARPEST: Final = 1.0
SHARPEST_NOT_CONVERGED: Final = 1.5
"""Smallest 1/MTF50^2 in px^2 of a fit that converged, and of one that did not. A pixel alone has 2.75."""
LEAST_QUALITY: Final = 0.5
"""Lower limit of the chi-square per degree of freedom that scales the covariance. With 600 degrees of freedom noise
scatters it by 0.06, so less than this is a variance overestimated."""

CENTRE: Final = PARAMETERS
NOISE: Final = CENTRE + 2
QUALITY: Final = NOISE + 2
MISFIT: Final = QUALITY + 1
LEFT_OUT: Final = MISFIT + 1
ENDING: Final = LEFT_OUT + 1
COVARIANCE: Final = ENDING + 1
ROWS: Final = COVARIANCE + 2
"""Columns behind the fit's parameters: centre x and y in px; a pixel's variance on the dark and on the light side;
chi-square per degree of freedom; misfit and share of the edge left out (see `fit_edge`); how the fit ended, one of the
following; of whole discs, the covariance of the centre's x and y with those in the main plane."""
NO_EDGE, NO_LEVEL, NOT_CONVERGED, REJECTED, TOO_SHARP, MEASURED, WHOLE_DISC = 0, 1, 2, 3, 4, 5, 6
MOST_LEFT_OUT: Final = 0.25
"""Largest share of an edge's cells that may be left out. One speck of dust takes an eighth. Edges that lost more than
this have shown MTF50 wrong by up to a quarter."""


class Model(NamedTuple):
    """Edge shapes for each curvature, and the prior's moments."""

    tables: Array
    """See `curved_tables`."""
    harmonics: Array
    """See `harmonic_tables`."""
    curvatures: Array
    family: FamilyMoments
    settings: PriorSettings


class Fits(NamedTuple):
    """Results of the fits; rows of discs that failed stay NaN."""

    value: Array
    """(planes, discs, ROWS)."""
    covariance: Array
    """(planes, discs, PARAMETERS, PARAMETERS)."""
    profile: Array
    """(planes, discs, 2, distances): mean light on PROFILE_DISTANCE, 0 dark and 1 light, sagittal and tangential."""


class Fit(NamedTuple):
    """The rows of `Fits` that belong to one disc in one plane."""

    value: Array
    covariance: Array
    profile: Array


@compiled
def fit_discs(frame: Frame, discs: Discs, model: Model, fits: Fits) -> None:
    """Fit the edges of all discs in all planes, and fill `fits`."""
    planes = fits.value.shape[0]
    count = np.zeros(planes, dtype=np.int64)
    look = np.zeros((planes, LOOK))
    seen = np.zeros(planes, dtype=np.bool_)
    first = np.array(model.settings.first_scales)
    scales = first.copy()
    pixel = np.empty((planes, 0, COLUMNS))
    last = math.nan
    for which in range(len(discs.radius_px)):
        disc = one_disc(discs, which)
        most_inner, most_outer = disc.limit[0], disc.limit[1]
        guess = FIRST_RING_PX if math.isnan(last) else LIKE_THE_LAST * last
        inner, outer = min(most_inner, guess), min(most_outer, guess)
        # a third of the rows is enough to find the ring's reach
        is_large = disc.radius_px >= SAMPLED_FROM_ROWS * frame.pattern.shape[1]
        every = 3 if math.isnan(last) and is_large else 1
        while True:
            room = room_for_pixels(frame, disc, outer)
            if room > pixel.shape[1]:
                pixel = np.empty((planes, room, COLUMNS))
            collect_ring(frame, disc, inner, outer, every, pixel, count)
            wanted = 0.0
            for plane in range(planes):
                seen[plane] = first_look(pixel[plane, : count[plane]], inner, outer, look[plane])
                if seen[plane]:
                    reach = FITTED_REACH * look[plane, 2] / GAUSSIAN_SIGMA
                    wanted = max(wanted, reach + math.hypot(look[plane, 4], look[plane, 5]))
                else:
                    wanted = max(wanted, 2 * outer)
            grown_inner, grown_outer = min(most_inner, wanted), min(most_outer, wanted)
            enough = grown_inner <= ENOUGH * inner and grown_outer <= ENOUGH * outer
            if enough and every == 1:
                break
            # a ring far too short is enlarged with a third of the rows again, else with all
            near = grown_inner <= NEARLY * inner and grown_outer <= NEARLY * outer
            every = 1 if near else every
            inner, outer = max(grown_inner, inner), max(grown_outer, outer)
        last = wanted if seen.all() else math.nan
        fullest = int(np.argmax(count))
        scales[:] = first
        for turn in range(planes):
            plane = (fullest + turn) % planes
            fit = Fit(fits.value[plane, which], fits.covariance[plane, which], fits.profile[plane, which])
            fit.value[ENDING] = NO_EDGE
            if seen[plane]:
                own = pixel[plane, : count[plane]]
                _fit_plane(own, look[plane], disc, model, fits.value[fullest, which], scales, fit)


@part
def _fit_plane(pixel: Array, look: Array, disc: Disc, model: Model, guide: Array, scales: Array, fit: Fit) -> None:
    """Fit one disc in one plane from the first estimate; repeat about the new centre if that moved.

    The plane with most pixels is fitted first and sets the prior `scales`. Its row, (ROWS,), is the `guide` of the
    others, which start at its blur if it was measured.
    """
    radius_px, radial, value = disc.radius_px, disc.radial, fit.value
    family, settings = model.family, model.settings
    guided = guide[ENDING] == MEASURED
    move = look[4:6].copy()
    start = np.zeros(PARAMETERS)
    unit = look[2] / GAUSSIAN_SIGMA
    if guided:
        start[:] = guide[:PARAMETERS]
        start[GRADIENT_X:WIDTH] = 0.0
        unit = math.sqrt(start[WIDTH])
    start[DARK], start[CONTRAST], start[SHIFT], start[WIDTH] = look[0], look[1] - look[0], look[3], unit**2
    curvature = unit / radius_px
    which, factor = np.empty(PARAMETERS, dtype=np.int64), np.empty((DIRECTIONS, PARAMETERS))
    slope = np.empty((DIRECTIONS, PARAMETERS))
    angular_factors(which, factor)
    factor_slopes(factor, slope)
    cell = np.empty((DIRECTIONS, BINS, CELL_COLUMNS))
    table = np.empty(model.tables.shape[1:])
    variance = np.empty(2)
    added = np.empty((DIRECTIONS, HARMONIC_POINTS))
    data = FitData(cell, radius_px, table, which, factor, slope, variance, added)
    fitted, information = np.empty(PARAMETERS), np.empty(PARAMETERS)
    spread, prior = np.empty((PARAMETERS, PARAMETERS)), np.empty((PARAMETERS, PARAMETERS))
    stale, fresh, near = True, not guided, False
    for _ in range(ROUNDS):
        if stale:
            gather(pixel, move, disc, unit, cell)
            plateau_variance(cell, variance)
            if not (variance[0] > 0 and variance[1] > 0):
                value[ENDING] = NO_LEVEL
                return
        interpolate_table(model.tables, model.curvatures, curvature, table)
        add_harmonics(model.harmonics, model.curvatures, curvature, start, factor, added)
        fill_prior(family, settings, start, scales, (curvature * radius_px) ** 2, curvature, prior, information)
        quality, misfit, lost, converged = fit_edge(data, start, prior, information, near, fitted, spread)
        if fitted[WIDTH] < (SHARPEST if converged else SHARPEST_NOT_CONVERGED):
            value[ENDING] = TOO_SHARP
            return
        if not converged or not fitted[CONTRAST] > 0:
            value[ENDING] = NOT_CONVERGED
            return
        start[:] = fitted
        near = True
        width = math.sqrt(fitted[WIDTH])
        stale = math.hypot(fitted[SHIFT_X], fitted[SHIFT_Y]) >= MOVED_PX or not LEAST_UNIT < width / unit < MOST_UNIT
        settled = not stale and not fresh and abs(width / radius_px - curvature) < CURVATURE_CHANGED
        if fresh and not stale:
            estimate_scales(family, settings, fitted, spread, scales)
            fresh = False
        if settled:
            break
        curvature = width / radius_px
        if stale:
            _move(move, fitted, radial)
            start[SHIFT_X], start[SHIFT_Y] = 0.0, 0.0
            unit = width
    value[MISFIT], value[LEFT_OUT] = misfit, lost
    if lost > MOST_LEFT_OUT:
        value[ENDING] = REJECTED
        return
    if not stale:
        _move(move, fitted, radial)
    value[:PARAMETERS] = fitted
    value[CENTRE], value[CENTRE + 1] = disc.centre[0] + move[0], disc.centre[1] + move[1]
    value[NOISE], value[NOISE + 1] = variance[0], variance[1]
    value[QUALITY], value[ENDING] = quality, MEASURED
    left_open = spread @ prior @ spread
    weight = settings.guided_factor if guided else settings.own_factor
    fit.covariance[:, :] = (spread + (weight - 1.0) * left_open) * max(quality, LEAST_QUALITY)
    _profile(cell, fitted, radius_px, fit.profile)


@part
def _move(move: Array, fitted: Array, radial: float) -> None:
    """Add the fitted shift, given along and across the image radius, to a move along x and y."""
    c, s = math.cos(radial), math.sin(radial)
    move[0] += c * fitted[SHIFT_X] - s * fitted[SHIFT_Y]
    move[1] += s * fitted[SHIFT_X] + c * fitted[SHIFT_Y]


@part
def _profile(cell: Array, fitted: Array, radius_px: float, profile: Array) -> None:
    """Fill the edge profile, (2, distances): mean light, 0 dark and 1 light, in sagittal and tangential sectors."""
    length = profile.shape[1]
    half = (length - 1) / 2
    total, number = np.zeros((2, length)), np.zeros((2, length))
    for direction in range(DIRECTIONS):
        angle = (direction + 0.5) / DIRECTIONS * 2 * math.pi
        c, s, c2, s2 = math.cos(angle), math.sin(angle), math.cos(2 * angle), math.sin(2 * angle)
        shift = fitted[SHIFT] + fitted[SHIFT_X] * c + fitted[SHIFT_Y] * s
        shift += fitted[SHIFT_C2] * c2 + fitted[SHIFT_S2] * s2
        along = 1 if c2 > 0 else 0
        for k in range(BINS):
            n = cell[direction, k, NUMBER]
            if n < 1:
                continue
            d = cell[direction, k, DISTANCE_MEAN]
            at = round((d - shift) / PROFILE_STEP + half)
            if 0 <= at < length:
                gain = 1.0 + (1.0 + d / radius_px) * (fitted[GRADIENT_X] * c + fitted[GRADIENT_Y] * s)
                light = cell[direction, k, LIGHT_MEAN] / gain
                total[along, at] += n * (light - fitted[DARK]) / fitted[CONTRAST]
                number[along, at] += n
    for along in range(2):
        for at in range(length):
            if number[along, at] > 0:
                profile[along, at] = total[along, at] / number[along, at]
