"""The stage that reduces a dark frame to levels and a list of hot pixels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from glasswright import Unmeasurable, format_against, stage
from glasswright_camera.light.dark import DarkShot
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import Fraction, Positive

if TYPE_CHECKING:
    from numpy.typing import NDArray

REJECT_BEYOND = 4.0
SWEEPS = 4
HOT_FLOOR = 0.0005
"""Least excess of a hot pixel, of white over black: with coarse quantisation noise may be 0, and one step is not
hot."""


@stage
def reduce_dark(
    mosaic: Mosaic,
    *,
    hot_ratio: Positive = 12.0,
    hot_limit_count: Annotated[int, Field(ge=1, le=100_000)] = 5000,
    stray_light_frac: Fraction = 0.01,
) -> DarkShot:
    """Reduce a dark frame to the level and noise of each site of the colour pattern, and its hot pixels.

    Parameters
    ----------
    mosaic
        A frame shot with the cap on.
    hot_ratio
        A pixel this many standard deviations above its site's level is hot.
    hot_limit_count
        Most hot pixels listed, the brightest; all are counted.
    stray_light_frac
        Largest light above black, of white, for the frame to count as dark.

    Raises
    ------
    Unmeasurable
        Where light came in, or the frame is smaller than the colour pattern.
    """
    rows, columns = mosaic.values.shape[1:]
    if rows < mosaic.pattern.shape[1] or columns < mosaic.pattern.shape[2]:
        raise Unmeasurable(f"the frame has {columns} x {rows} pixels, fewer than the colour pattern")
    level, noise = measure_sites(mosaic)
    light = float(((level - mosaic.black_dn) / (mosaic.white_dn - mosaic.black_dn)).max())
    if light > stray_light_frac:
        raise Unmeasurable(
            f"not dark: the frame has {format_against(100 * light, 100 * stray_light_frac)} % of white above black, "
            f"more than {100 * stray_light_frac:g} %; put the cap on, and check the black level"
        )
    hot = find_hot(mosaic, level + np.maximum(hot_ratio * noise, HOT_FLOOR * (mosaic.white_dn - mosaic.black_dn)))
    return DarkShot(
        shot=mosaic.shot,
        width_px=mosaic.values.shape[2],
        height_px=mosaic.values.shape[1],
        level_dn=level,
        noise_dn=noise,
        declared_black_dn=mosaic.black_dn,
        white_dn=mosaic.white_dn,
        hot_pixel=hot[:hot_limit_count],
        hot_pixel_count=len(hot),
        exposure_time_s=mosaic.facts.exposure_time_s,
    )


def measure_sites(mosaic: Mosaic) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and standard deviation of each site of the pattern, outlying pixels rejected.

    Both are computed from a histogram, as a site has few different values.
    """
    level, noise = np.empty(mosaic.pattern.shape), np.empty(mosaic.pattern.shape)
    height, width = mosaic.pattern.shape[1:]
    for channel, row, column in np.ndindex(mosaic.pattern.shape):
        counts = np.bincount(mosaic.values[channel, row::height, column::width].ravel()).astype(np.float64)
        level[channel, row, column], noise[channel, row, column] = clip_histogram(counts)
    return level, noise


def clip_histogram(counts: NDArray[np.float64]) -> tuple[float, float]:
    """Return mean and standard deviation of counted values, repeatedly rejecting those beyond 4 of them."""
    value = np.arange(len(counts), dtype=np.float64)
    mean, spread = 0.0, 0.0
    for sweep in range(SWEEPS):
        kept = counts if sweep == 0 else np.where(np.abs(value - mean) <= max(REJECT_BEYOND * spread, 1.0), counts, 0.0)
        mean = float(kept @ value / kept.sum())
        spread = float(np.sqrt(kept @ (value - mean) ** 2 / kept.sum()))
    return mean, spread


def find_hot(mosaic: Mosaic, limit_dn: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return x, y and value of the pixels above their site's limit, brightest first."""
    found = []
    height, width = mosaic.pattern.shape[1:]
    for channel, row, column in np.ndindex(mosaic.pattern.shape):
        part = mosaic.values[channel, row::height, column::width]
        y, x = np.nonzero(part > limit_dn[channel, row, column])
        found.append(np.column_stack([x * width + column, y * height + row, part[y, x].astype(np.int64)]))
    hot = np.concatenate(found).astype(np.int64)
    return np.asarray(hot[np.lexsort((hot[:, 0], hot[:, 1], -hot[:, 2]))])
