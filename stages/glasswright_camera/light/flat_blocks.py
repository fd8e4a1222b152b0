"""Block means of a mosaic's planes, outlying pixels rejected: the one sweep over a flat frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright_camera.compiled import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

SWEEPS = 3
REJECT_BEYOND = 4.0
"""Standard deviations. The gradient of light within a block is far smaller than its noise."""
ROUNDING_DN = 0.2887
"""Standard deviation of rounding to whole numbers: no frame is quieter."""
CLIPPED_ALLOWED = 0.005
"""Share of a block's pixels; hot pixels stay below. Beyond it the mean would be short of the light clipped off."""


def mean_blocks(mosaic: Mosaic, block_px: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Give the mean light of each block and plane, its standard uncertainty, and the clipped pixels.

    Parameters
    ----------
    mosaic
        The frame.
    block_px
        Side of a block: a multiple of the colour pattern's period, so that all blocks are alike.

    Returns
    -------
    light, uncertainty
        (planes, rows, columns), 0 black, 1 white; NaN where a block is clipped or has no pixel of the plane.
    clipped
        (planes, rows, columns): count.
    """
    return scan_blocks(
        mosaic.values, mosaic.pattern, mosaic.black_dn, float(mosaic.white_dn), len(mosaic.planes), block_px
    )


@compiled
def scan_blocks(
    values: NDArray[np.uint16],
    pattern: NDArray[np.int64],
    black: NDArray[np.float64],
    white: float,
    planes: int,
    block: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:  # pragma: no cover - compiled
    """Mean, uncertainty and clipped count of each plane of each block; see `mean_blocks`."""
    channels, height, width = values.shape
    rows, columns = (height + block - 1) // block, (width + block - 1) // block
    light = np.full((planes, rows, columns), np.nan)
    uncertainty = np.full((planes, rows, columns), np.nan)
    clipped = np.zeros((planes, rows, columns), np.int64)
    period_y, period_x = pattern.shape[1:]
    rounding = ROUNDING_DN / (white - black.mean())
    for row in range(rows):
        for column in range(columns):
            low = np.full(planes, -np.inf)
            high = np.full(planes, np.inf)
            for sweep in range(SWEEPS):
                count = np.zeros(planes)
                total = np.zeros(planes)
                squares = np.zeros(planes)
                over = np.zeros(planes, np.int64)
                for channel in range(channels):
                    for site_y in range(period_y):
                        for site_x in range(period_x):
                            plane = pattern[channel, site_y, site_x]
                            base = black[channel, site_y, site_x]
                            scale = 1.0 / (white - base)
                            least, most = low[plane], high[plane]
                            kept_count, lit, squared, full = 0, 0.0, 0.0, 0
                            for y in range(row * block + site_y, min(height, (row + 1) * block), period_y):
                                for x in range(column * block + site_x, min(width, (column + 1) * block), period_x):
                                    value = values[channel, y, x]
                                    one = (value - base) * scale
                                    good = (one >= least) & (one <= most)
                                    kept = one if good else 0.0
                                    kept_count += int(good)
                                    lit += kept
                                    squared += kept * kept
                                    full += int(value >= white)
                            count[plane] += kept_count
                            total[plane] += lit
                            squares[plane] += squared
                            over[plane] += full
                for plane in range(planes):
                    if count[plane] < 2:
                        continue
                    mean = total[plane] / count[plane]
                    spread = np.sqrt(max(squares[plane] / count[plane] - mean * mean, rounding**2))
                    low[plane] = mean - REJECT_BEYOND * spread
                    high[plane] = mean + REJECT_BEYOND * spread
                    if sweep == 0:
                        clipped[plane, row, column] = over[plane]
                    if clipped[plane, row, column] <= CLIPPED_ALLOWED * count[plane]:
                        light[plane, row, column] = mean
                        uncertainty[plane, row, column] = spread / np.sqrt(count[plane])
    return light, uncertainty, clipped
