"""A shot reduced to one small grey frame: block means of all planes, each scaled to the same paper level."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

BRIGHT_PERCENTILE = 90
SAMPLE_CELLS = 128
"""Of so many cells a side. Chosen: a tenth may be glints."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallFrame:
    """Block means of a frame. Small pixel (i, j) is centred on sensor pixel ((j + 0.5) * block_px - 0.5, ...)."""

    light: NDArray[np.float32]
    """(rows, columns): about 1 where the frame is bright."""
    clipped: NDArray[np.float32]
    """(rows, columns): share of the block's pixels at or above white."""
    block_px: int
    white_light: float
    """The brightest plane's white level on the scale of `light`."""

    def to_sensor(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert small-frame places (x, y) to sensor pixels."""
        return (place + 0.5) * self.block_px - 0.5


@njit(cache=True, fastmath=True, nogil=True)
def _add_rows(
    values: NDArray[np.uint16],
    weight: NDArray[np.float32],
    white: int,
    block: int,
    light: NDArray[np.float32],
    clipped: NDArray[np.float32],
) -> None:
    """Add one channel's weighted block sums and clipped counts; rows first, so that the inner loops vectorise."""
    rows, columns = light.shape
    period = weight.shape[0]
    width = columns * block
    line = np.empty(width, np.float32)
    count = np.empty(width, np.uint16)
    for i in range(rows):
        line[:] = 0
        count[:] = 0
        most = np.uint16(0)
        for y in range(i * block, (i + 1) * block):
            row = values[y]
            scale = weight[y % period]
            for x in range(width):
                # a plain product would be of 64 bits
                line[x] += np.float32(row[x]) * scale[x]
            for x in range(width):
                most = max(most, row[x])
        out = light[i]
        # the blocks one pixel after another, which vectorises for small blocks
        for k in range(block):
            for j in range(columns):
                out[j] += line[j * block + k]
        if most < white:
            continue
        for y in range(i * block, (i + 1) * block):
            row = values[y]
            for x in range(width):
                count[x] += row[x] >= white
        for j in range(columns):
            over = 0
            for x in range(j * block, (j + 1) * block):
                over += count[x]
            clipped[i, j] += over


def measure_plane_levels(mosaic: Mosaic) -> NDArray[np.float64]:
    """Return each plane's bright level above black in DN, (planes,), from a sample of the pattern's cells.

    Raises
    ------
    Unmeasurable
        If a plane has no light above black.
    """
    channels, period_y, period_x = mosaic.pattern.shape
    height, width = mosaic.values.shape[1:]
    cells_y, cells_x = height // period_y, width // period_x
    rows = np.unique(np.linspace(0, cells_y - 1, SAMPLE_CELLS).astype(int)) * period_y
    columns = np.unique(np.linspace(0, cells_x - 1, SAMPLE_CELLS).astype(int)) * period_x
    found: list[list[NDArray[np.float64]]] = [[] for _ in mosaic.planes]
    for channel, dy, dx in np.ndindex(channels, period_y, period_x):
        sample = mosaic.values[channel][np.ix_(rows + dy, columns + dx)].astype(np.float64)
        found[mosaic.pattern[channel, dy, dx]].append(sample.ravel() - mosaic.black_dn[channel, dy, dx])
    levels = np.array([np.percentile(np.concatenate(parts), BRIGHT_PERCENTILE) for parts in found])
    for name, level in zip(mosaic.planes, levels, strict=True):
        if not level > 0:
            message = (
                f"no light in the {name} plane: its bright parts lie {level:.1f} DN above black; "
                "check the exposure, the lens cap and the stand's black_dn"
            )
            raise Unmeasurable(message)
    return levels


def shrink_mosaic(mosaic: Mosaic, block_px: int) -> SmallFrame:
    """Average a mosaic over square blocks into one grey frame.

    Each plane is scaled to the same bright level, so a block may have any size, not only whole cells of the colour
    pattern.

    Parameters
    ----------
    mosaic
        The frame.
    block_px
        Side of a block in sensor pixels; pixels beyond the last whole block are left out.

    Raises
    ------
    Unmeasurable
        If a plane has no light, or the frame is smaller than a block or than the colour pattern.
    """
    channels, period_y, period_x = mosaic.pattern.shape
    height, width = mosaic.values.shape[1:]
    rows, columns = height // block_px, width // block_px
    if min(rows, columns) < 1 or height < period_y or width < period_x:
        raise Unmeasurable(f"the frame has {width} x {height} pixels, too few to measure anything")
    levels = measure_plane_levels(mosaic)
    light = np.zeros((rows, columns), np.float32)
    clipped = np.zeros((rows, columns), np.float32)
    share = 1.0 / (channels * block_px * block_px)
    across = np.arange(columns * block_px)
    white = int(np.ceil(mosaic.white_dn))
    for channel in range(channels):
        gain = share / levels[mosaic.pattern[channel]]
        weight = np.ascontiguousarray(gain[:, across % period_x], np.float32)
        _add_rows(mosaic.values[channel], weight, white, block_px, light, clipped)
        light -= _sum_black(mosaic.black_dn[channel] * gain, rows, columns, block_px)
    clipped *= np.float32(share)
    # the brightest plane clips first
    white_light = float(np.min((mosaic.white_dn - mosaic.black_dn) / levels[mosaic.pattern]))
    return SmallFrame(light=light, clipped=clipped, block_px=block_px, white_light=white_light)


def _sum_black(black: NDArray[np.float64], rows: int, columns: int, block: int) -> NDArray[np.float32]:
    """Sum the scaled black level over each block, (rows, columns) or a shape that broadcasts to it."""
    period_y, period_x = black.shape
    if block % period_y == block % period_x == 0:
        # each block has the same sites
        return np.full((1, 1), black.mean() * block * block, np.float32)
    down = np.zeros((rows, period_y))
    np.add.at(down, (np.repeat(np.arange(rows), block), np.arange(rows * block) % period_y), 1.0)
    along = np.zeros((columns, period_x))
    np.add.at(along, (np.repeat(np.arange(columns), block), np.arange(columns * block) % period_x), 1.0)
    return (down @ black @ along.T).astype(np.float32)
