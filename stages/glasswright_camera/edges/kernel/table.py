"""Columns of a trace, from the fitted parameters of all discs."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from glasswright_camera.edges.kernel.curved import CURVATURES, curved_tables
from glasswright_camera.edges.kernel.discs import (
    CENTRE,
    COVARIANCE,
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
from glasswright_camera.edges.kernel.prior import PriorSettings
from glasswright_camera.edges.kernel.reading import (
    FREQUENCY,
    read_mean_sharpness,
    read_sharpness,
    turn_covariance,
    turn_pair,
)
from glasswright_camera.edges.kernel.ring import Discs, Frame
from glasswright_camera.edges.kernel.whole import (
    LEAST_BLUR,
    WHOLE_BLURS,
    fit_whole_discs,
    whole_shape_u,
)
from glasswright_camera.edges.kernel.whole_light import spread_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

BEYOND_MIDDLE: Final = 1.1
"""Distance from its edge up to which a disc's light is used, over half the gap to the next disc, whose blur counts
beyond it."""
TOO_BLURRED: Final = (NO_EDGE, NO_LEVEL, NOT_CONVERGED, REJECTED)
"""Endings of the fit of an edge after which the whole disc is fitted: the disc may be small for its blur."""
MOST_LEFT_OUT_OF_SMALL: Final = 0.05
"""Largest share of its edge that a disc of 1.35 to 1.67 blurs (1 / LEAST_BLUR) may leave out: less than one of 16
directions. With more it is fitted whole. In interlaced video, whose edges are combs, the centres of such edges were up
to 0.9 px off."""
MOST_BLUR_U: Final = 0.1
"""Largest relative standard uncertainty of MTF50, from noise and unknown shape, of a disc that was fitted whole; with a
larger one only its place is reported."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeTable:
    """The measured columns of a `Trace`; see there."""

    centre_px: Array
    centre_u_px: Array
    covariance_px2: Array
    radius_px: Array
    ellipse_px: Array
    mtf50: Array
    mtf50_u: Array
    blur_direction: Array
    asymmetry: Array
    asymmetry_u: Array
    dark_light: Array
    paper_light: Array
    noise: Array
    misfit_frac: Array
    left_out_frac: Array
    far_light: Array
    middle_light: Array
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
    """Fit all discs of a mosaic and return the columns of their trace.

    Parameters
    ----------
    mosaic
        The frame.
    centre, maps, radius_px
        (discs, 2) px, (discs, 2, 2) px per mm of the print, (discs,) px on the sensor.
    limit_px
        (discs, 2): how far inside and outside its edge each disc's pixels may be used.
    radial
        (discs,): direction of the image radius, radian.
    gain
        (planes, discs, 6): see `field_gain`.
    pitch
        Pitch of the discs' square lattice, over their radius; None where each is alone.
    solid
        (discs,): whether a disc has no hole, and may be fitted as a whole if its edge is too blurred; None where none
        may.
    direction
        (discs,): weight of the directional MTF50, see `direction_share`; the rest is the mean over all directions. None
        where all weights are 1.

    Raises
    ------
    ValueError
        Where a disc has no room about its edge.
    """
    planes, discs = gain.shape[:2]
    if pitch is not None:
        middle_px = (pitch / 2 - 1) * radius_px
        limit_px = np.column_stack([limit_px[:, 0], np.minimum(limit_px[:, 1], BEYOND_MIDDLE * middle_px)])
    if not (limit_px > 0).all():
        # no ring of pixels would ever be wide enough
        raise ValueError("limit_px, and the gap between the discs of a lattice, must be positive")
    frame = Frame(mosaic.values, mosaic.pattern, mosaic.black_dn, float(mosaic.white_dn))
    located = Discs(centre, maps, radius_px, limit_px, radial, gain)
    value = np.full((planes, discs, ROWS), np.nan)
    covariance = np.full((planes, discs, PARAMETERS, PARAMETERS), np.nan)
    profile = np.full((planes, discs, 2, len(PROFILE_DISTANCE)), np.nan)
    fits = Fits(value, covariance, profile)
    family = family_moments()
    model = Model(curved_tables(pitch), harmonic_tables(), np.array(CURVATURES), family, PriorSettings())
    fit_discs(frame, located, model, fits)
    curve = read_sharpness(value, covariance)
    if solid is not None:
        blurred = _is_blurred(value, curve[0] * radius_px[:, None]) & solid
        if blurred.any():
            # a disc too blurred in one plane is placed by its whole in all planes
            main = mosaic.planes.index("green") if "green" in mosaic.planes else 0
            wanted = (blurred | (value[..., ENDING] == MEASURED)) & blurred.any(axis=0)
            fit_whole_discs(frame, located, family, spread_table(), wanted, blurred, main, fits)
            curve = read_sharpness(value, covariance)
            for column in curve:
                column[blurred & ~_is_certain(value[..., ENDING], curve, radius_px)] = np.nan
    far_light, middle_light = np.full((planes, discs, RINGS), np.nan), np.full((planes, discs), np.nan)
    measure_far_light(frame, located, far_tables(pitch), np.array(CURVATURES), fits, far_light, middle_light)
    if direction is not None:
        _blend_directions(direction, value, covariance, curve)
    mtf50, mtf50_u, mtf = curve
    is_whole = (value[..., ENDING] == WHOLE_DISC)[..., None]
    step = value[..., CONTRAST]
    leading = [ODD_C1, ODD_S1]
    return EdgeTable(
        centre_px=value[..., CENTRE : CENTRE + 2],
        centre_u_px=turn_covariance(covariance, [SHIFT_X, SHIFT_Y], radial),
        covariance_px2=np.nan_to_num(value[..., COVARIANCE:ROWS]),
        radius_px=radius_px + value[..., SHIFT],
        ellipse_px=_ellipse(maps, radius_px) + turn_pair(value[..., SHIFT_C2:WIDTH], 2 * radial),
        mtf50=mtf50,
        mtf50_u=mtf50_u,
        blur_direction=turn_pair(value[..., WIDTH_C2:WIDTH_C4], 2 * radial) / value[..., WIDTH, None],
        asymmetry=np.where(is_whole, np.nan, turn_pair(value[..., leading], radial)),
        asymmetry_u=np.where(is_whole, np.nan, turn_covariance(covariance, leading, radial)),
        dark_light=value[..., DARK] * gain[..., 0],
        paper_light=(value[..., DARK] + step) * gain[..., 0],
        noise=np.sqrt((value[..., NOISE] + value[..., NOISE + 1]) / 2) / step,
        misfit_frac=value[..., MISFIT],
        left_out_frac=value[..., LEFT_OUT],
        far_light=far_light,
        middle_light=middle_light,
        frequency=FREQUENCY,
        mtf=mtf.astype(np.float32),
        distance_px=PROFILE_DISTANCE,
        profile=profile.astype(np.float32),
        ending=value[..., ENDING].astype(np.int64),
    )


def _is_blurred(value: Array, blurs: Array) -> NDArray[np.bool_]:
    """Return which discs are small for their blur: (planes, discs); `blurs` is MTF50 times radius, (..., 2)."""
    least = np.nan_to_num(blurs, nan=np.inf).min(axis=-1)
    is_part = (least < 1 / LEAST_BLUR) & (value[..., LEFT_OUT] > MOST_LEFT_OUT_OF_SMALL)
    return np.asarray(np.isin(value[..., ENDING], TOO_BLURRED) | (least < WHOLE_BLURS) | is_part)


def _is_certain(ending: Array, curve: tuple[Array, Array, Array], radius_px: Array) -> NDArray[np.bool_]:
    """Return which discs fitted as a whole have an MTF50 within MOST_BLUR_U: (planes, discs)."""
    mtf50, mtf50_u, _ = curve
    relative_u = np.hypot(mtf50_u / mtf50, whole_shape_u(mtf50 * radius_px[:, None]))
    return np.asarray((ending == WHOLE_DISC) & (relative_u.max(axis=-1) < MOST_BLUR_U))


def _blend_directions(share: Array, value: Array, covariance: Array, curve: tuple[Array, Array, Array]) -> None:
    """Near the image centre blend MTF50 in each direction with the mean over all directions, weighted by `share`."""
    near = share < 1
    for column, mean in zip(curve, read_mean_sharpness(value[:, near], covariance[:, near]), strict=True):
        weight = share[near].reshape(-1, *(1,) * (column.ndim - 2))
        column[:, near] = weight * column[:, near] + (1 - weight) * mean[:, :, None]


def _ellipse(maps: Array, radius_px: Array) -> Array:
    """Return the amplitudes of cos 2 phi and sin 2 phi of the ellipse that images a circle: (discs, 2), px."""
    spread = maps @ np.swapaxes(maps, 1, 2)
    mean = (spread[:, 0, 0] + spread[:, 1, 1]) / 2
    ellipse = np.stack([(spread[:, 0, 0] - spread[:, 1, 1]) / 2, spread[:, 0, 1]], axis=-1)
    return np.asarray(ellipse / (2 * mean[:, None]) * radius_px[:, None])
