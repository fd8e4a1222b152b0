"""From the fitted parameters of all discs to the columns of a trace."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from glasswright_camera.edges.kernel.curved import CURVATURES, curved_tables
from glasswright_camera.edges.kernel.discs import (
    CENTRE,
    ENDING,
    LEFT_OUT,
    MEASURED,
    MISFIT,
    NO_EDGE,
    NO_LEVEL,
    NOISE,
    NOT_CONVERGED,
    PROFILE_DISTANCE,
    REJECTED,
    ROWS,
    WHOLE_DISC,
    Discs,
    Fits,
    Model,
    fit_discs,
)
from glasswright_camera.edges.kernel.far import RINGS, far_tables, measure_far_light
from glasswright_camera.edges.kernel.harmonics import harmonic_tables
from glasswright_camera.edges.kernel.moments import family_moments
from glasswright_camera.edges.kernel.parameters import (
    CONTRAST,
    DARK,
    ODD_C1,
    ODD_S1,
    PARAMETERS,
    SHIFT,
    SHIFT_C2,
    SHIFT_X,
    SHIFT_Y,
    WIDTH,
    WIDTH_C2,
    WIDTH_C4,
)
from glasswright_camera.edges.kernel.reading import (
    FREQUENCY,
    read_mean_sharpness,
    read_sharpness,
    turn_covariance,
    turn_pair,
)
from glasswright_camera.edges.kernel.ring import Frame
from glasswright_camera.edges.kernel.whole import WHOLE_BLURS, fit_whole_discs, spread_table, whole_shape_u

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

BEYOND_MIDDLE: Final = 1.1
"""How far from its edge a disc is looked at, over half the way to the next: behind it that one's blur is felt."""
TOO_BLURRED: Final = (NO_EDGE, NO_LEVEL, NOT_CONVERGED, REJECTED)
"""How the fit of an edge may end where the disc is small for its blur; then the whole disc is fitted."""
MOST_BLUR_U: Final = 0.1
"""Largest relative standard uncertainty of MTF50, noise's and the unknown shape's, of a disc that was fitted whole;
beyond it there is no MTF50, only a place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeTable:
    """The measured columns of a `Trace`, which says what they are."""

    centre_px: Array
    centre_u_px: Array
    radius_px: Array
    ellipse_px: Array
    mtf50: Array
    mtf50_u: Array
    blur_direction: Array
    lopsided: Array
    lopsided_u: Array
    dark_light: Array
    paper_light: Array
    noise: Array
    misfit_frac: Array
    left_out_frac: Array
    far_light: Array
    frequency: Array
    mtf: NDArray[np.float32]
    distance_px: Array
    profile: NDArray[np.float32]
    ending: NDArray[np.int64]
    """(planes, discs): how each fit ended; see `fit_discs` in `discs`. No part of a `Trace`."""

    def columns(self) -> dict[str, Any]:
        """Return the columns of a `Trace` by name."""
        return {field.name: getattr(self, field.name) for field in fields(self) if field.name != "ending"}


def trace_table(
    mosaic: Mosaic,
    *,
    centre: Array,
    maps: Array,
    radius_px: Array,
    limit_px: Array,
    radial: Array,
    gain: Array,
    pitch: float | None = None,
    solid: NDArray[np.bool_] | None = None,
    direction: Array | None = None,
) -> EdgeTable:
    """Walk all discs of a mosaic and turn what was fitted into columns.

    Parameters
    ----------
    mosaic
        The frame.
    centre, maps, radius_px
        (discs, 2) px, (discs, 2, 2) px for each print mm, (discs,) px as seen.
    limit_px
        (discs, 2): how far inside and outside its edge each disc may be looked at.
    radial
        (discs,): direction of the image radius, radian.
    gain
        (planes, discs, 6): see `field_gain`.
    pitch
        Of the discs' square lattice, over their radius; None where each is alone.
    solid
        (discs,): whether a disc has no hole, and may be fitted as a whole where its edge alone is too blurred; None
        where none may.
    direction
        (discs,): how far a disc has a direction of the image radius, see `direction_share`; None where all have. What
        it has not is taken by the mean over all directions, whatever pointing makes of them.
    """
    planes, discs = gain.shape[:2]
    if pitch is not None:
        middle_px = (pitch / 2 - 1) * radius_px
        limit_px = np.column_stack([limit_px[:, 0], np.minimum(limit_px[:, 1], BEYOND_MIDDLE * middle_px)])
    frame = Frame(mosaic.values, mosaic.pattern, mosaic.black_dn, float(mosaic.white_dn))
    located = Discs(centre, maps, radius_px, limit_px, radial, gain)
    value = np.full((planes, discs, ROWS), np.nan)
    covariance = np.full((planes, discs, PARAMETERS, PARAMETERS), np.nan)
    profile = np.full((planes, discs, 2, len(PROFILE_DISTANCE)), np.nan)
    fits = Fits(value, covariance, profile)
    fit_discs(
        frame, located, Model(curved_tables(pitch), harmonic_tables(), np.array(CURVATURES), family_moments()), fits
    )
    curve = read_sharpness(value, covariance)
    if solid is not None:
        blurred = _is_blurred(value[..., ENDING], curve[0] * radius_px[:, None]) & solid
        if blurred.any():
            # of a disc that is too blurred in one plane the places in all are those of the whole
            wanted = (blurred | (value[..., ENDING] == MEASURED)) & blurred.any(axis=0)
            fit_whole_discs(frame, located, family_moments(), spread_table(), wanted, blurred, fits)
            curve = read_sharpness(value, covariance)
            for column in curve:
                column[blurred & ~_is_told(value[..., ENDING], curve, radius_px)] = np.nan
    far_light = np.full((planes, discs, RINGS), np.nan)
    measure_far_light(frame, located, far_tables(pitch), np.array(CURVATURES), fits, far_light)
    if direction is not None:
        _blend_directions(direction, value, covariance, curve)
    mtf50, mtf50_u, mtf = curve
    is_whole = (value[..., ENDING] == WHOLE_DISC)[..., None]
    step = value[..., CONTRAST]
    leading = [ODD_C1, ODD_S1]
    return EdgeTable(
        centre_px=value[..., CENTRE : CENTRE + 2],
        centre_u_px=turn_covariance(covariance, [SHIFT_X, SHIFT_Y], radial),
        radius_px=radius_px + value[..., SHIFT],
        ellipse_px=_ellipse(maps, radius_px) + turn_pair(value[..., SHIFT_C2:WIDTH], 2 * radial),
        mtf50=mtf50,
        mtf50_u=mtf50_u,
        blur_direction=turn_pair(value[..., WIDTH_C2:WIDTH_C4], 2 * radial) / value[..., WIDTH, None],
        lopsided=np.where(is_whole, np.nan, turn_pair(value[..., leading], radial)),
        lopsided_u=np.where(is_whole, np.nan, turn_covariance(covariance, leading, radial)),
        dark_light=value[..., DARK] * gain[..., 0],
        paper_light=(value[..., DARK] + step) * gain[..., 0],
        noise=np.sqrt((value[..., NOISE] + value[..., NOISE + 1]) / 2) / step,
        misfit_frac=value[..., MISFIT],
        left_out_frac=value[..., LEFT_OUT],
        far_light=far_light,
        frequency=FREQUENCY,
        mtf=mtf.astype(np.float32),
        distance_px=PROFILE_DISTANCE,
        profile=profile.astype(np.float32),
        ending=value[..., ENDING].astype(np.int64),
    )


def _is_blurred(ending: Array, blurs: Array) -> NDArray[np.bool_]:
    """Say which discs are small for their blur: (planes, discs); `blurs` is 1/MTF50 in a radius, (planes, discs, 2)."""
    return np.asarray(np.isin(ending, TOO_BLURRED) | (np.nan_to_num(blurs, nan=np.inf).min(axis=-1) < WHOLE_BLURS))


def _is_told(ending: Array, curve: tuple[Array, Array, Array], radius_px: Array) -> NDArray[np.bool_]:
    """Say which MTF50 of whole discs are known well enough; of an edge so blurred much had to be left out."""
    mtf50, mtf50_u, _ = curve
    relative_u = np.hypot(mtf50_u / mtf50, whole_shape_u(mtf50 * radius_px[:, None]))
    return np.asarray((ending == WHOLE_DISC) & (relative_u.max(axis=-1) < MOST_BLUR_U))


def _blend_directions(share: Array, value: Array, covariance: Array, curve: tuple[Array, Array, Array]) -> None:
    """Replace what discs near the image centre have in each direction by the mean over all, as far as `share` asks."""
    near = share < 1
    for column, mean in zip(curve, read_mean_sharpness(value[:, near], covariance[:, near]), strict=True):
        weight = share[near].reshape(-1, *(1,) * (column.ndim - 2))
        column[:, near] = weight * column[:, near] + (1 - weight) * mean[:, :, None]


def _ellipse(maps: Array, radius_px: Array) -> Array:
    """Amplitudes of cos 2 phi and sin 2 phi of the ellipse that a circle becomes: (discs, 2), px."""
    spread = maps @ np.swapaxes(maps, 1, 2)
    mean = (spread[:, 0, 0] + spread[:, 1, 1]) / 2
    lean = np.stack([(spread[:, 0, 0] - spread[:, 1, 1]) / 2, spread[:, 0, 1]], axis=-1)
    return np.asarray(lean / (2 * mean[:, None]) * radius_px[:, None])
