"""Fit of a small, strongly blurred disc as a whole: place, light and blur.

Where the blur fills half the disc, no ring about its edge reaches the dark level, and the fit of the edge (`fit`)
fails. Here the whole disc is fitted, with the model of `whole_light`. W is 1/MTF50^2 by direction, and the two fits
agree where both work. The position is that of `whole_place`. Where the blur cannot be fitted, the position is kept and
MTF50 is not.

Coordinates are along and across the image radius, parameters those of `parameters`; those that this fit does not
determine stay 0.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled, part
from glasswright_camera.edges.kernel.bins import LEAST_VARIANCE
from glasswright_camera.edges.kernel.discs import (
    CENTRE,
    COVARIANCE,
    ENDING,
    LEAST_QUALITY,
    LEFT_OUT,
    MEASURED,
    MISFIT,
    MOST_LEFT_OUT,
    NO_LEVEL,
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
from glasswright_camera.edges.kernel.ring import LEAST_STEP, Disc, Discs, Frame, one_disc, room_for_pixels
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, GAUSSIAN_SIGMA
from glasswright_camera.edges.kernel.whole_light import (
    COLUMNS,
    DISTANCE,
    ENERGY,
    FLAT,
    LIGHT,
    MOVES,
    ROUND,
    WHOLE,
    DiscData,
    X,
    Y,
    collect_disc,
    expect_light,
    find_depth,
    outline_of,
)
from glasswright_camera.edges.kernel.whole_place import (
    MAD_TO_SIGMA,
    correlate_planes,
    covary_places,
    find_noise,
    fit_paper,
    leave_out,
    leave_plane,
    move_to_centroid,
    take_ring,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.moments import FamilyMoments

    Array = NDArray[np.float64]

OUTER_REACH: Final = 1.1
LEAST_OUTSIDE: Final = 0.4
"""Distance beyond the edge up to which pixels are used, and at least must be, in units of 1/MTF50. In photographs of
discs with less paper about them places were off by up to 4 px."""
KNOWN_ELLIPSE: Final = 0.004
"""Standard uncertainty of the outline's ellipse, which the lattice's map predicts, of its radius."""
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
FIRST_GUESSES: Final = (0.5, 6.0)
"""Smallest and largest first guess of the square of 1/MTF50 over the radius."""
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

    Of the pixels each `every`-th is used, and its `light` filled in, see `expect_light`. If `choose`, it is decided
    anew which are kept.
    """
    pixel, radius_px, spread, kept = data.pixel, data.radius_px, data.spread, data.kept
    table = np.empty((spread.shape[0], 2 + EVEN_COUNT))
    table[:, : 1 + EVEN_COUNT], table[:, 1 + EVEN_COUNT] = spread[:, ENERGY:], spread[:, 0]
    for j in range(EVEN_COUNT):
        table[:, 0] += value[ROUND + j] * spread[:, ENERGY + 1 + j]
        table[:, 1 + EVEN_COUNT] += value[ROUND + j] * spread[:, 1 + j]
    outline, points = outline_of(data, value)
    energy, moves, row = np.empty(2 + EVEN_COUNT), np.empty(MOVES), np.empty(WHOLE)
    normal[:, :] = 0.0
    right[:] = 0.0
    total, used, lost = 0.0, 0, 0
    dark, contrast = value[DARK], value[CONTRAST]
    for i in range(0, len(pixel), every):
        x, y = pixel[i, X], pixel[i, Y]
        find_depth(x, y, outline, points, table, energy, moves)
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
    paper = fit_paper(pixel)
    paper_noise = MAD_TO_SIGMA * np.median(np.abs(leave_plane(take_ring(pixel), paper)))
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
    expect_light(whole, own, light)
    signal = 0.0
    for i in range(len(near)):
        signal += (1 - light[i, 0]) ** 2
    noise = math.sqrt(misfit * max(variance[0], variance[1]))
    found = own[CONTRAST] > LEAST_STEP and own[CONTRAST] * math.sqrt(signal) > LEAST_SIGNAL * noise
    leave_out(light, misfit * variance, own[CONTRAST], whole.kept)
    noise = find_noise(pixel, near, light, whole.kept, variance, disc)
    found &= move_to_centroid(whole, light, paper, noise * variance, own, inverse, level_shift)
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
            # a disc of too few pixels is small too, whatever its blur
            is_small = blurred[plane, which] and (
                own[ENDING] == NO_LEVEL or not fitted[WIDTH] < (LEAST_BLUR * radius_px) ** 2
            )
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
                    common = correlate_planes(pixel[plane, : count[plane]], pixel[main, : count[main]], disc)
                own[COVARIANCE : COVARIANCE + 2] = covary_places(
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
