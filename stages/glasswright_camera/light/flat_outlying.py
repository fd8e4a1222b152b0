"""Blocks of a flat that deviate from the smooth field: those interpolated, and those the map includes.

Dust shades one or a few blocks; the surface through the surrounding blocks gives the light without it. The shadow of
something in the lens at a low f-number is too wide for that, and chart shots have the same shadow in the same place.
The map therefore includes it, and the misfit enters the map's uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import binary_dilation, find_objects, label, uniform_filter

from glasswright_camera.light.flat_surface import LEAST_BLOCKS, REACH, take_nearest
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.light.flat_surface import Windows

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

OUTLYING: Final = 5.0
"""Robust standard deviations from the smooth surface."""
OUTLYING_FLOOR: Final = 0.003
"""Relative loss of light below which dust does no harm."""
BRIDGED: Final = REACH - 2
"""Most blocks in a row or column that a fit to five by five blocks can interpolate with good blocks on all sides."""
SWEEPS: Final = 2
SURELY_OFF: Final = 3.0
"""Mean square about the map over that of noise, above which a misfit is significant: nine standard deviations for the
19 degrees of freedom of a fit."""


def find_outlying(windows: Windows, light: Array, light_u: Array, good: Mask) -> tuple[Mask, Mask]:
    """Mark blocks that deviate from the surface through their neighbours by more than their noise.

    Parameters
    ----------
    windows
        Windows about the blocks' own middles.
    light, light_u, good
        (rows, columns): block means, their noise, and which have light.

    Returns
    -------
    bridged, followed
        (rows, columns): blocks to interpolate, and blocks of shadows too wide for that.
    """
    outlying = bridged = np.zeros_like(good)
    for _ in range(SWEEPS):
        surface = windows.smoother(good & ~bridged).value(light).reshape(good.shape)
        residual = np.abs(light - surface)
        spread = robust_sigma((residual / light_u)[good], about=0.0)
        outlying = good & (residual > np.maximum(OUTLYING * spread * light_u, OUTLYING_FLOOR * np.abs(surface)))
        bridged = outlying & ~pick_crowded(outlying, good)
    # after the sweeps only, since a single deep block distorts the first surface
    wide = pick_wide(outlying)
    followed = wide | pick_crowded(outlying & ~wide, good)
    return outlying & ~followed, followed


def pick_wide(outlying: Mask) -> Mask:
    """Return outlying blocks in connected regions too wide to interpolate."""
    parts, _ = label(outlying, np.ones((3, 3)))
    wide = np.zeros_like(outlying)
    for index, box in enumerate(find_objects(parts), start=1):
        if max(part.stop - part.start for part in box) > BRIDGED:
            wide |= parts == index
    return wide


def pick_crowded(outlying: Mask, good: Mask) -> Mask:
    """Return outlying blocks without which too few good ones would be left about them."""
    if not outlying.any():
        return outlying
    left = good & ~outlying
    rows, columns = (take_nearest(np.arange(size, dtype=np.float64) + 0.5, size) for size in good.shape)
    count = left[rows].sum(axis=1)[:, columns].sum(axis=2)
    crowded = binary_dilation(count < LEAST_BLOCKS, np.ones((REACH, REACH), dtype=bool))
    return np.asarray(outlying & crowded)


def find_misfit(light: Array, light_u: Array, surface: Array, bridged: Mask, followed: Mask, good: Mask) -> Array:
    """Return the rms deviation of the light from the smooth map near outlying blocks, over five by five blocks.

    It is 0 where it is not significant. It estimates the map's error at a shadow's border.

    Parameters
    ----------
    light, light_u, surface
        (rows, columns): block means, their noise, and the map, all on one scale.
    bridged, followed, good
        Blocks interpolated, blocks of wide shadows, and all blocks with light.
    """
    if not (bridged.any() or followed.any()):
        return np.zeros_like(light)
    kept = good & ~bridged
    count = np.maximum(_pool(kept.astype(np.float64)), 1 / REACH**2)
    # a block's mean differs from its middle's value by a curvature term, which is common to the blocks and subtracted
    off = np.where(kept, light - surface, 0.0)
    found = np.maximum(_pool(off**2) / count - (_pool(off) / count) ** 2, 0.0)
    expected = _pool(np.where(kept, light_u**2, 0.0)) / count
    near = binary_dilation(bridged | followed, np.ones((REACH, REACH), dtype=bool))
    return np.where(near & (found > SURELY_OFF * expected), np.sqrt(found), 0.0)


def _pool(part: Array) -> Array:
    """Return the mean over the five by five blocks about each."""
    return np.asarray(uniform_filter(part, REACH, mode="nearest"))
