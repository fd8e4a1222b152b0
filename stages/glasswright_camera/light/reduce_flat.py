"""The stage that reduces a frame of an even field to block means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from glasswright import Unmeasurable, stage
from glasswright_camera.light.flat import FlatShot
from glasswright_camera.light.flat_blocks import mean_blocks
from glasswright_camera.mosaic import Mosaic

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_PERIODS = 4
"""Fewest periods of the colour pattern along a block's side."""


@stage
def reduce_flat(mosaic: Mosaic, *, blocks_across_count: Annotated[int, Field(ge=16, le=400)] = 96) -> FlatShot:
    """Reduce a frame of an even field to block means of each colour plane, outlying pixels rejected.

    That the frame is an even field, neither clipped nor too dim, is checked when it is decoded.

    Parameters
    ----------
    mosaic
        The frame: the diffuse source, or a blank panel.
    blocks_across_count
        Blocks over the frame's width. More fit a steep falloff better, fewer have less noise.

    Raises
    ------
    Unmeasurable
        Where no block has good pixels of every plane.
    """
    height, width = mosaic.values.shape[1:]
    block = choose_block(width, blocks_across_count, int(np.lcm(*mosaic.pattern.shape[1:])))
    light, light_u, _ = mean_blocks(mosaic, block)
    if not np.isfinite(light).all(axis=0).any():
        raise Unmeasurable("no block of the frame has good pixels of every colour plane: it is too small, or clipped")
    median = max(float(np.nanmedian(plane)) for plane in light)
    return FlatShot(
        shot=mosaic.shot,
        role=mosaic.role,
        width_px=width,
        height_px=height,
        planes=mosaic.planes,
        block_px=float(block),
        light=light.astype(np.float32),
        light_u=light_u.astype(np.float32),
        offset_px=find_offsets(mosaic),
        exposure_time_s=mosaic.facts.exposure_time_s,
        median_light_frac=median,
        pixels_per_block=count_pixels(mosaic, block),
    )


def choose_block(width: int, blocks_across: int, period: int) -> int:
    """Return the side of a block: near the requested size, a multiple of the colour pattern's period."""
    return max(LEAST_PERIODS, round(width / blocks_across / period)) * period


def count_pixels(mosaic: Mosaic, block: int) -> tuple[int, ...]:
    """Return how many pixels of each plane a whole block has."""
    _, rows, columns = mosaic.pattern.shape
    periods = (block // rows) * (block // columns)
    return tuple(int(np.count_nonzero(mosaic.pattern == plane)) * periods for plane in range(len(mosaic.planes)))


def find_offsets(mosaic: Mosaic) -> NDArray[np.float64]:
    """Return the mean place of each plane's pixels from the middle of a period of the pattern: (planes, 2)."""
    offsets = np.zeros((len(mosaic.planes), 2))
    for plane in range(len(mosaic.planes)):
        _, row, column = np.nonzero(mosaic.pattern == plane)
        offsets[plane] = column.mean(), row.mean()
    return np.asarray(offsets - np.array([(mosaic.pattern.shape[2] - 1) / 2, (mosaic.pattern.shape[1] - 1) / 2]))
