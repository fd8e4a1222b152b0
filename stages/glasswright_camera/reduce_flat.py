"""The stage that reduces a frame of an even field to block means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import Field

from glasswright import Unmeasurable, format_against, stage
from glasswright_camera.flat import FlatShot
from glasswright_camera.flat_blocks import mean_blocks
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import Fraction

if TYPE_CHECKING:
    from numpy.typing import NDArray

CLIPPED_BLOCKS_ALLOWED = 0.002
LEAST_PERIODS = 4
"""Of the colour pattern in a block, each way: a mean of fewer pixels is no mean."""


@stage
def reduce_flat(
    mosaic: Mosaic,
    *,
    blocks_across_count: Annotated[int, Field(ge=16, le=400)] = 96,
    starved_limit_frac: Fraction = 0.05,
) -> FlatShot:
    """Reduce a frame of an even field to block means of each colour plane, outlying pixels rejected.

    Parameters
    ----------
    mosaic
        The frame: the diffuse source, or a blank panel.
    blocks_across_count
        Blocks over the frame's width. More follow a steep falloff better, fewer are quieter.
    starved_limit_frac
        Least median light of the brightest plane, of white.

    Raises
    ------
    Unmeasurable
        Where blocks hold clipped pixels, or the frame is too dark for its noise.
    """
    height, width = mosaic.values.shape[1:]
    block = choose_block(width, blocks_across_count, int(np.lcm(*mosaic.pattern.shape[1:])))
    light, light_u, clipped = mean_blocks(mosaic, block)
    refuse_clipped(mosaic, light, clipped)
    median = max(float(np.nanmedian(plane)) for plane in light)
    if median < starved_limit_frac:
        raise Unmeasurable(
            f"underexposed: the median light is {format_against(100 * median, 100 * starved_limit_frac)} % of white, "
            f"less than {100 * starved_limit_frac:g} %; expose more"
        )
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
    """Give the side of a block: near the width asked for, a multiple of the colour pattern's period."""
    return max(LEAST_PERIODS, round(width / blocks_across / period)) * period


def count_pixels(mosaic: Mosaic, block: int) -> tuple[int, ...]:
    """Give how many pixels of each plane a whole block has."""
    _, rows, columns = mosaic.pattern.shape
    periods = (block // rows) * (block // columns)
    return tuple(int(np.count_nonzero(mosaic.pattern == plane)) * periods for plane in range(len(mosaic.planes)))


def find_offsets(mosaic: Mosaic) -> NDArray[np.float64]:
    """Give where each plane's pixels lie on the mean, from the middle of a period of the pattern: (planes, x and y)."""
    offsets = np.zeros((len(mosaic.planes), 2))
    for plane in range(len(mosaic.planes)):
        _, row, column = np.nonzero(mosaic.pattern == plane)
        offsets[plane] = column.mean(), row.mean()
    return np.asarray(offsets - np.array([(mosaic.pattern.shape[2] - 1) / 2, (mosaic.pattern.shape[1] - 1) / 2]))


def refuse_clipped(mosaic: Mosaic, light: NDArray[np.float64], clipped: NDArray[np.int64]) -> None:
    """Raise where more than a few blocks of a plane are clipped; a clipped flat is flatter than the light was."""
    for name, plane, over in zip(mosaic.planes, light, clipped, strict=True):
        bad = int(np.count_nonzero(np.isnan(plane) & (over > 0)))
        if bad > CLIPPED_BLOCKS_ALLOWED * plane.size:
            raise Unmeasurable(
                f"overexposed: {bad} of {plane.size} blocks of the {name} plane hold clipped pixels; expose less"
            )
