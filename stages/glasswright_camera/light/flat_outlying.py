"""Blocks of a flat that stand out of the smooth field: which are bridged, and which the map follows.

Dust takes a block or a few, and the surface through the blocks about it knows what light there would be. The shadow of
something in the lens at a low f-number is wider than any bridge: nothing about it tells what light there would be, and
it is light that the chart shots lack too, in the same place. So the map follows it, and its uncertainty says how well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import binary_dilation, find_objects, label

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
"""Dust that takes less light than this does no harm."""
BRIDGED: Final = REACH - 2
"""Blocks in a row and column that a fit to five by five bridges with good blocks on all sides; more are followed."""
SWEEPS: Final = 2
SURELY_OFF: Final = 3.0
"""Mean square about the map over that of noise: nine standard deviations for the 19 degrees of freedom of a fit."""


def find_outlying(windows: Windows, light: Array, light_u: Array, good: Mask) -> tuple[Mask, Mask]:
    """Mark blocks that stand out of the surface through their neighbours, each against its own noise.

    Parameters
    ----------
    windows
        Those about the blocks' own middles.
    light, light_u, good
        (rows, columns): block means, their noise, and which have light.

    Returns
    -------
    bridged, followed
        (rows, columns): to be left out, and part of something too wide for that.
    """
    outlying = bridged = np.zeros_like(good)
    for _ in range(SWEEPS):
        surface = windows.smoother(good & ~bridged).value(light).reshape(good.shape)
        residual = np.abs(light - surface)
        spread = robust_sigma((residual / light_u)[good], about=0.0)
        outlying = good & (residual > np.maximum(OUTLYING * spread * light_u, OUTLYING_FLOOR * np.abs(surface)))
        bridged = outlying & ~pick_crowded(outlying, good)
    # only now, since a single deep block pulls the first surface away from its neighbours
    wide = pick_wide(outlying)
    followed = wide | pick_crowded(outlying & ~wide, good)
    return outlying & ~followed, followed


def pick_wide(outlying: Mask) -> Mask:
    """Pick outlying blocks that hang together over more than can be bridged."""
    parts, _ = label(outlying, np.ones((3, 3)))
    wide = np.zeros_like(outlying)
    for index, box in enumerate(find_objects(parts), start=1):
        if max(part.stop - part.start for part in box) > BRIDGED:
            wide |= parts == index
    return wide


def pick_crowded(outlying: Mask, good: Mask) -> Mask:
    """Pick outlying blocks about which too few good ones would be left without them."""
    left = good & ~outlying
    rows, columns = (take_nearest(np.arange(size, dtype=np.float64) + 0.5, size) for size in good.shape)
    count = left[rows[:, None, :, None], columns[None, :, None, :]].sum(axis=(2, 3))
    crowded = binary_dilation(count < LEAST_BLOCKS, np.ones((REACH, REACH), dtype=bool))
    return np.asarray(outlying & crowded)


def find_misfit(light: Array, light_u: Array, surface: Array, bridged: Mask, followed: Mask, good: Mask) -> Array:
    """Return how far the light about outlying blocks lies from the smooth map, where that is surely off; else 0.

    Rms over five by five blocks: as far as a shadow's border lies from a smooth map, so far may the map be off there.

    Parameters
    ----------
    light, light_u, surface
        (rows, columns): block means, their noise, and the map, all on one scale.
    bridged, followed, good
        Outlying blocks, and all that have light.
    """
    kept = good & ~bridged
    count = np.maximum(_pool(kept.astype(np.float64)), 1 / REACH**2)
    # a block's mean is not its middle's value, by a share of the curvature, which is alike over the blocks about it
    off = np.where(kept, light - surface, 0.0)
    found = np.maximum(_pool(off**2) / count - (_pool(off) / count) ** 2, 0.0)
    expected = _pool(np.where(kept, light_u**2, 0.0)) / count
    near = binary_dilation(bridged | followed, np.ones((REACH, REACH), dtype=bool))
    return np.where(near & (found > SURELY_OFF * expected), np.sqrt(found), 0.0)


def _pool(part: Array) -> Array:
    """Average over the five by five blocks about each."""
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(part, REACH // 2, mode="edge"), (REACH, REACH))
    return np.asarray(windows.mean(axis=(2, 3)))
