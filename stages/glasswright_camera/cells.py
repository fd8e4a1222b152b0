"""Compiled filters on a frame of cells: means of square blocks, and a band-pass filter."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled, compiled_in_any_order
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Array32 = NDArray[np.float32]

SAMPLE: Final = 2**17
"""Cells from which the noise of a whole frame is estimated, with a relative standard error of 0.3 %. A median of all
cells of a large frame would take longer than all other steps."""
TAIL: Final = 4.0
"""Standard deviations after which a blur is cut off."""


def measure_noise(frame: Array32, *, middle: float | None = None) -> float:
    """Return the robust standard deviation of a frame about its median, or about `middle`."""
    sample = frame.ravel()[:: max(1, frame.size // SAMPLE)]
    return robust_sigma(sample, about=middle)


@compiled_in_any_order
def mean_cells(frame: Array32, side: int) -> Array32:  # pragma: no cover - compiled
    """Return the means of side x side cells; a remainder at the right and at the bottom is left out."""
    rows, columns = frame.shape[0] // side, frame.shape[1] // side
    width = columns * side
    share = np.float32(1.0 / (side * side))
    means = np.zeros((rows, columns), np.float32)
    line = np.empty(width, np.float32)
    for i in range(rows):
        line[:] = 0
        for y in range(i * side, (i + 1) * side):
            row = frame[y]
            for x in range(width):
                line[x] += row[x]
        out = means[i]
        # the cells one column after another, which vectorises for small cells
        for k in range(side):
            for j in range(columns):
                out[j] += line[j * side + k]
        for j in range(columns):
            out[j] *= share
    return means


def weigh_blur(sigma: float) -> Array32:
    """Return the weights of a Gaussian blur from its middle outwards; the whole kernel adds up to 1."""
    reach = int(TAIL * sigma + 0.5)
    weight = np.exp(-0.5 * (np.arange(reach + 1) / sigma) ** 2)
    return np.asarray(weight / (2 * weight.sum() - weight[0]), dtype=np.float32)


@compiled_in_any_order
def pick_band(frame: Array32, wide: Array32, narrow: Array32) -> Array32:  # pragma: no cover - compiled
    """Return a frame blurred by a wide Gaussian less the same blurred by a narrow one.

    Beyond the border the outermost cells are repeated.

    Parameters
    ----------
    frame
        (rows, columns).
    wide, narrow
        Weights from the middle outwards; the wide one has as many or more.
    """
    rows, columns = frame.shape
    reach, near = len(wide) - 1, len(narrow) - 1
    band = np.empty((rows, columns), np.float32)
    soft = np.empty(columns + 2 * reach, np.float32)
    sharp = np.empty(columns + 2 * reach, np.float32)
    for y in range(rows):
        row = frame[y]
        for x in range(columns):
            soft[reach + x] = wide[0] * row[x]
            sharp[reach + x] = narrow[0] * row[x]
        for k in range(1, reach + 1):
            above, below = frame[max(y - k, 0)], frame[min(y + k, rows - 1)]
            weight = wide[k]
            for x in range(columns):
                soft[reach + x] += weight * (above[x] + below[x])
            if k <= near:
                weight = narrow[k]
                for x in range(columns):
                    sharp[reach + x] += weight * (above[x] + below[x])
        soft[:reach], soft[reach + columns :] = soft[reach], soft[reach + columns - 1]
        sharp[:reach], sharp[reach + columns :] = sharp[reach], sharp[reach + columns - 1]
        out = band[y]
        for x in range(columns):
            out[x] = wide[0] * soft[reach + x] - narrow[0] * sharp[reach + x]
        for k in range(1, reach + 1):
            left, right = soft[reach - k : reach - k + columns], soft[reach + k : reach + k + columns]
            weight = wide[k]
            for x in range(columns):
                out[x] += weight * (left[x] + right[x])
        for k in range(1, near + 1):
            left, right = sharp[reach - k : reach - k + columns], sharp[reach + k : reach + k + columns]
            weight = narrow[k]
            for x in range(columns):
                out[x] -= weight * (left[x] + right[x])
    return band


@compiled
def fill_lone(frame: Array32) -> Array32:  # pragma: no cover - compiled
    """Return the frame with each cell below all its neighbours raised to the lowest of them."""
    rows, columns = frame.shape
    filled = np.empty_like(frame)
    beyond = np.full(columns, np.float32(np.inf))
    lowest = np.full(columns + 2, np.float32(np.inf))
    own = np.full(columns + 2, np.float32(np.inf))
    for y in range(rows):
        above = frame[y - 1] if y > 0 else beyond
        below = frame[y + 1] if y < rows - 1 else beyond
        own[1 : columns + 1] = frame[y]
        out = filled[y]
        for x in range(columns):
            lowest[x + 1] = min(above[x], below[x])
        for x in range(columns):
            around = min(min(lowest[x], lowest[x + 1]), min(lowest[x + 2], min(own[x], own[x + 2])))
            out[x] = max(own[x + 1], around)
    return filled


@compiled
def follow_dark(
    frame: Array32, side: int, limit: float, row: int, column: int
) -> NDArray[np.int64]:  # pragma: no cover - compiled
    """Return the connected region of block means below a limit that contains one block: row and column, (blocks, 2).

    Blocks are side x side cells. The result is empty if the given block is not below the limit.
    """
    rows, columns = frame.shape[0] // side, frame.shape[1] // side
    seen = np.zeros((rows, columns), np.bool_)
    found = np.empty((rows * columns, 2), np.int64)
    waiting = [(row, column)]
    seen[row, column] = True
    count = 0
    while len(waiting) > 0:
        i, j = waiting.pop()
        total = 0.0
        for y in range(i * side, (i + 1) * side):
            for x in range(j * side, (j + 1) * side):
                total += frame[y, x]
        if not total / (side * side) < limit:
            continue
        found[count, 0], found[count, 1] = i, j
        count += 1
        for down, along in ((-1, 0), (1, 0), (0, -1), (0, 1)):
            near, beside = i + down, j + along
            if 0 <= near < rows and 0 <= beside < columns and not seen[near, beside]:
                seen[near, beside] = True
                waiting.append((near, beside))
    return found[:count].copy()
