"""From the walk's fitted parameters to the columns of a trace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edge_bins import CORE_STEP
from glasswright_camera.edge_curved import BEND, bent_tables
from glasswright_camera.edge_fit import EVEN, LOPSIDED, PARAMETERS, SHAPE, SHIFT, TURN, TURNING, WIDTH
from glasswright_camera.edge_shapes import edge_shapes
from glasswright_camera.edge_walk import HALF_SIGMA, ROWS, SPARE, walk_discs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

FREQUENCY: Final = np.arange(0.0, 0.6001, 0.02)
DISTANCE: Final = np.arange(-20.0, 20.01, 0.5)
TURN_SPREAD: Final = 0.5
"""How much the first shapes may differ between directions, against how much they vary among lenses."""


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
    frequency: Array
    mtf: NDArray[np.float32]
    distance_px: Array
    profile: NDArray[np.float32]


def shape_prior() -> Array:
    """Give the inverse square spread of each parameter: known for the shapes alone."""
    prior = np.zeros(PARAMETERS)
    spread = edge_shapes().spread
    prior[SHAPE : SHAPE + EVEN] = 1 / spread[:EVEN] ** 2
    prior[TURN : TURN + TURNING] = 1 / (TURN_SPREAD * spread[:TURNING]) ** 2
    prior[LOPSIDED:] = 1 / spread[EVEN] ** 2
    return prior


def trace_table(
    mosaic: Mosaic,
    *,
    centre: Array,
    maps: Array,
    radius_px: Array,
    limit_px: Array,
    radial: Array,
    gain: Array,
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
        (planes, discs, 3): see `field_gain`.
    """
    planes, discs = gain.shape[:2]
    value = np.full((planes, discs, ROWS), np.nan)
    covariance = np.full((planes, discs, PARAMETERS, PARAMETERS), np.nan)
    profile = np.full((planes, discs, 2, len(DISTANCE)), np.nan)
    walk_discs(
        mosaic.values, mosaic.pattern, mosaic.black_dn, float(mosaic.white_dn), gain, centre, maps,
        radius_px, limit_px, radial, bent_tables(), np.array(BEND), shape_prior(),
        DISTANCE[1] - DISTANCE[0], value, covariance, profile,
    )  # fmt: skip
    mtf50, mtf50_u, mtf = _sharpness(value, covariance, radial)
    step = value[..., 1]
    return EdgeTable(
        centre_px=value[..., SPARE : SPARE + 2],
        centre_u_px=np.sqrt(np.stack([covariance[..., SHIFT + k, SHIFT + k] for k in (1, 2)], axis=-1)),
        radius_px=radius_px + value[..., SHIFT],
        ellipse_px=_ellipse(maps, radius_px) + value[..., SHIFT + 3 : SHIFT + 5],
        mtf50=mtf50,
        mtf50_u=mtf50_u,
        blur_direction=value[..., WIDTH + 1 : WIDTH + 3] / value[..., WIDTH, None],
        lopsided=value[..., LOPSIDED : LOPSIDED + 2],
        lopsided_u=np.sqrt(np.stack([covariance[..., LOPSIDED + k, LOPSIDED + k] for k in (0, 1)], axis=-1)),
        dark_light=value[..., 0] * gain[..., 0],
        paper_light=(value[..., 0] + step) * gain[..., 0],
        noise=np.sqrt((value[..., SPARE + 2] + value[..., SPARE + 3]) / 2) / step,
        frequency=FREQUENCY,
        mtf=mtf.astype(np.float32),
        distance_px=DISTANCE,
        profile=profile.astype(np.float32),
    )


def _ellipse(maps: Array, radius_px: Array) -> Array:
    """Amplitudes of cos 2 phi and sin 2 phi of the ellipse that a circle becomes: (discs, 2), px."""
    spread = maps @ np.swapaxes(maps, 1, 2)
    mean = (spread[:, 0, 0] + spread[:, 1, 1]) / 2
    lean = np.stack([(spread[:, 0, 0] - spread[:, 1, 1]) / 2, spread[:, 0, 1]], axis=-1)
    return np.asarray(lean / (2 * mean[:, None]) * radius_px[:, None])


def _sharpness(value: Array, covariance: Array, radial: Array) -> tuple[Array, Array, Array]:
    """MTF50, its uncertainty and the transfer function, sagittal then tangential."""
    mtf50, uncertainty, curves = [], [], []
    for side in (-1.0, 1.0):  # across the image radius, then along it
        lean = np.stack([np.ones_like(radial), side * np.cos(2 * radial), side * np.sin(2 * radial)], axis=-1)
        width = np.einsum("pdi,di->pd", value[..., WIDTH : WIDTH + 3], lean)
        block = covariance[..., WIDTH : WIDTH + 3, WIDTH : WIDTH + 3]
        width_u = np.sqrt(np.einsum("di,pdij,dj->pd", lean, block, lean))
        # what the steps of distance blurred
        width = width - (CORE_STEP * value[..., SPARE + 5]) ** 2 / 12 / HALF_SIGMA**2
        amount = value[..., SHAPE : SHAPE + EVEN].copy()
        amount[..., :TURNING] += side * value[..., TURN : TURN + TURNING]
        turn = radial if side > 0 else radial + np.pi / 2
        lopsided = np.cos(turn) * value[..., LOPSIDED] + np.sin(turn) * value[..., LOPSIDED + 1]
        with np.errstate(invalid="ignore"):
            base = 1 / np.sqrt(np.where(width > 0, width, np.nan))
        half, curve = _transfer(base, amount, lopsided)
        mtf50.append(half)
        uncertainty.append(0.5 * half * width_u / width)
        curves.append(curve)
    return np.stack(mtf50, axis=-1), np.stack(uncertainty, axis=-1), np.stack(curves, axis=-2)


def _transfer(base: Array, amount: Array, lopsided: Array) -> tuple[Array, Array]:
    """Where the modulus first falls to one half, and the modulus on FREQUENCY; arrays over (planes, discs)."""
    shapes = edge_shapes()
    real = shapes.transfer[0] + amount @ shapes.transfer[1 : 1 + EVEN]
    modulus = np.hypot(real, lopsided[..., None] * shapes.transfer[1 + EVEN])
    after = np.argmax(modulus < 0.5, axis=-1)[..., None]
    high = np.take_along_axis(modulus, np.maximum(after - 1, 0), axis=-1)[..., 0]
    low = np.take_along_axis(modulus, after, axis=-1)[..., 0]
    grid = shapes.frequency[after[..., 0]]
    step = shapes.frequency[1] - shapes.frequency[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        half = base * (grid - step * (0.5 - low) / (high - low))
    half = np.where((after[..., 0] > 0) & np.isfinite(base), half, np.nan)
    curve = np.full((*base.shape, len(FREQUENCY)), np.nan)
    known = np.append(0.0, shapes.frequency)
    for index in np.argwhere(np.isfinite(half)):
        place = tuple(index)
        curve[place] = np.interp(FREQUENCY / base[place], known, np.append(1.0, modulus[place]))
    return half, curve
