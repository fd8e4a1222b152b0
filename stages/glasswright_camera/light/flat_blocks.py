"""Block means of a mosaic's planes, outlying pixels rejected."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright_camera.compiled import compiled, part

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

SWEEPS = 3
REJECT_BEYOND = 4.0
"""Standard deviations. The gradient of light within a block is far smaller than its noise."""
ROUNDING_DN = 0.2887
"""Standard deviation of rounding to whole numbers, the least noise of a frame."""
CLIPPED_ALLOWED = 0.005
"""Largest share of a block's pixels that may be clipped, more than hot pixels; above it the mean would be too low."""


def mean_blocks(mosaic: Mosaic, block_px: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return the mean light of each block and plane, its standard uncertainty, and the clipped pixels.

    Parameters
    ----------
    mosaic
        The frame.
    block_px
        Side of a block, a multiple of the colour pattern's period.

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
    """Return mean, uncertainty and clipped count of each plane of each block; see `mean_blocks`.

    One pass sums all pixels exactly, in integers. Only the few blocks with a pixel to reject are summed again.
    """
    channels, height, width = values.shape
    rows, columns = (height + block - 1) // block, (width + block - 1) // block
    light = np.full((planes, rows, columns), np.nan)
    uncertainty = np.full((planes, rows, columns), np.nan)
    clipped = np.zeros((planes, rows, columns), np.int64)
    period_y, period_x = pattern.shape[1:]
    rounding = ROUNDING_DN / (white - black.mean())
    # for each column of pixels within a row of blocks, and each of the pattern's rows
    total = np.empty((channels, period_y, width), np.uint32)
    squares = np.empty((channels, period_y, width), np.uint64)
    least = np.empty((channels, period_y, width), np.uint16)
    most = np.empty((channels, period_y, width), np.uint16)
    for row in range(rows):
        top, bottom = row * block, min(height, (row + 1) * block)
        total[:], squares[:], least[:], most[:] = 0, 0, 65535, 0
        for channel in range(channels):
            for y in range(top, bottom):
                line, site = values[channel, y], (y - top) % period_y
                _add_line(line, total[channel, site], squares[channel, site], least[channel, site], most[channel, site])
        for column in range(columns):
            left, right = column * block, min(width, (column + 1) * block)
            for plane in range(planes):
                count, lit, squared, lowest, highest = 0, 0.0, 0.0, np.inf, -np.inf
                has_clipped = False
                for channel in range(channels):
                    for site_y in range(period_y):
                        down = (bottom - top - site_y + period_y - 1) // period_y
                        for site_x in range(period_x):
                            if pattern[channel, site_y, site_x] != plane or down < 1:
                                continue
                            base = black[channel, site_y, site_x]
                            scale = 1.0 / (white - base)
                            whole, squared_whole = np.int64(0), np.int64(0)
                            low, high = np.uint16(65535), np.uint16(0)
                            along = 0
                            for x in range(left + site_x, right, period_x):
                                whole += np.int64(total[channel, site_y, x])
                                squared_whole += np.int64(squares[channel, site_y, x])
                                low = min(low, least[channel, site_y, x])
                                high = max(high, most[channel, site_y, x])
                                along += 1
                            number = down * along
                            if number == 0:
                                continue
                            count += number
                            lit += (whole - number * base) * scale
                            squared += (squared_whole - 2 * base * whole + number * base * base) * scale * scale
                            lowest = min(lowest, (low - base) * scale)
                            highest = max(highest, (high - base) * scale)
                            has_clipped = has_clipped or bool(high >= white)
                over = 0
                if has_clipped:
                    over = _count_clipped(values, pattern, white, plane, (top, bottom, left, right))
                clipped[plane, row, column] = over
                for _ in range(SWEEPS):
                    if count < 2:
                        break
                    mean = lit / count
                    spread = np.sqrt(max(squared / count - mean * mean, rounding**2))
                    if over <= CLIPPED_ALLOWED * count:
                        light[plane, row, column] = mean
                        uncertainty[plane, row, column] = spread / np.sqrt(count)
                    limits = mean - REJECT_BEYOND * spread, mean + REJECT_BEYOND * spread
                    if lowest >= limits[0] and highest <= limits[1]:
                        break
                    count, lit, squared, lowest, highest = _sum_within(
                        values, pattern, black, white, plane, (top, bottom, left, right), limits
                    )
    return light, uncertainty, clipped


@part
def _add_line(
    line: NDArray[np.uint16],
    total: NDArray[np.uint32],
    squares: NDArray[np.uint64],
    least: NDArray[np.uint16],
    most: NDArray[np.uint16],
) -> None:  # pragma: no cover - compiled
    """Add a row of pixels to the sums, minima and maxima of the columns; separate loops vectorise."""
    for x in range(len(line)):
        total[x] += line[x]
    for x in range(len(line)):
        squares[x] += np.uint64(line[x]) * np.uint64(line[x])
    for x in range(len(line)):
        least[x] = min(least[x], line[x])
    for x in range(len(line)):
        most[x] = max(most[x], line[x])


@part
def _count_clipped(
    values: NDArray[np.uint16],
    pattern: NDArray[np.int64],
    white: float,
    plane: int,
    box: tuple[int, int, int, int],
) -> int:  # pragma: no cover - compiled
    """Count a plane's pixels in a box that are at white or above."""
    top, bottom, left, right = box
    over = 0
    for channel, site_y, site_x in np.ndindex(pattern.shape):
        if pattern[channel, site_y, site_x] != plane:
            continue
        for y in range(top + site_y, bottom, pattern.shape[1]):
            for x in range(left + site_x, right, pattern.shape[2]):
                over += int(values[channel, y, x] >= white)
    return over


@part
def _sum_within(
    values: NDArray[np.uint16],
    pattern: NDArray[np.int64],
    black: NDArray[np.float64],
    white: float,
    plane: int,
    box: tuple[int, int, int, int],
    limits: tuple[float, float],
) -> tuple[int, float, float, float, float]:  # pragma: no cover - compiled
    """Return count, sum, sum of squares and extremes of a plane's light in a box, of the pixels within two limits."""
    top, bottom, left, right = box
    count, lit, squared, lowest, highest = 0, 0.0, 0.0, np.inf, -np.inf
    for channel, site_y, site_x in np.ndindex(pattern.shape):
        if pattern[channel, site_y, site_x] != plane:
            continue
        base = black[channel, site_y, site_x]
        scale = 1.0 / (white - base)
        for y in range(top + site_y, bottom, pattern.shape[1]):
            for x in range(left + site_x, right, pattern.shape[2]):
                one = (values[channel, y, x] - base) * scale
                good = (one >= limits[0]) & (one <= limits[1])
                kept = one if good else 0.0
                count += int(good)
                lit += kept
                squared += kept * kept
                lowest = min(lowest, one if good else lowest)
                highest = max(highest, one if good else highest)
    return count, lit, squared, lowest, highest
