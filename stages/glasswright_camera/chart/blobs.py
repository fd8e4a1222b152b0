"""Dark round blobs in a small frame: the candidates for the chart's discs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit
from scipy import ndimage

if TYPE_CHECKING:
    from numpy.typing import NDArray

PAPER_PERCENTILE = 80
"""Percentile of a tile's pixels taken as the paper's level: a tile about a pitch wide is mostly paper, and glints or
clips cover less than a fifth."""
DARK_SHARES = (0.62, 0.84)
"""Share of the paper's level below which a pixel is dark: the first for prints of full contrast, at about half depth;
the second for faint prints, whose discs have 0.75 of the paper's light."""
SMALLEST_AREA = 9.0
ROUNDEST_AXES = 0.4
"""Smallest ratio of a disc's axes: 30 % of distortion squeezes a disc near the corner to about a half."""
FILL_LIMITS = (0.86, 1.12)
"""Area over that of the ellipse of the same second moments: 1 for an ellipse, 0.955 for a square."""
RING_FILL = 0.4
"""Least of the same for a ring: (1 - h^2) / (1 + h^2) with a hole of h times its diameter, 0.65 at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blobs:
    """Candidates, in small-frame pixels."""

    place: NDArray[np.float64]
    """(blobs, 2): x and y."""
    radius: NDArray[np.float64]
    """(blobs,): of the circle of the same area."""


@njit(cache=True, nogil=True)
def _mark_dark(light: NDArray[np.float32], level: NDArray[np.float64], tile: int, share: float) -> NDArray[np.bool_]:
    """Mark pixels below `share` of the tile levels, interpolated and extrapolated linearly between tile centres."""
    rows, columns = light.shape
    tiles_y, tiles_x = level.shape
    dark = np.empty((rows, columns), np.bool_)
    line = np.empty(tiles_x)
    for i in range(rows):
        v = (i + 0.5) / tile - 0.5
        ty = min(max(int(np.floor(v)), 0), max(tiles_y - 2, 0))
        down = min(ty + 1, tiles_y - 1)
        for k in range(tiles_x):
            line[k] = level[ty, k] + (v - ty) * (level[down, k] - level[ty, k])
        for j in range(columns):
            u = (j + 0.5) / tile - 0.5
            tx = min(max(int(np.floor(u)), 0), max(tiles_x - 2, 0))
            right = min(tx + 1, tiles_x - 1)
            here = line[tx] + (u - tx) * (line[right] - line[tx])
            dark[i, j] = light[i, j] < share * max(here, 0.0)
    return dark


def find_dark(light: NDArray[np.float32], tile: int, share: float = DARK_SHARES[0]) -> NDArray[np.bool_]:
    """Mark the pixels that are dark against the paper around them.

    Parameters
    ----------
    light
        (rows, columns): a small frame.
    tile
        Side of the squares whose paper level is estimated, in small pixels; about a pitch.
    share
        Share of the paper's level below which a pixel is dark.
    """
    tiles_y, tiles_x = max(light.shape[0] // tile, 1), max(light.shape[1] // tile, 1)
    if light.shape[0] < tile or light.shape[1] < tile:
        level = np.full((1, 1), np.percentile(light, PAPER_PERCENTILE))
    else:
        whole = light[: tiles_y * tile, : tiles_x * tile].reshape(tiles_y, tile, tiles_x, tile)
        flat = whole.transpose(0, 2, 1, 3).reshape(tiles_y, tiles_x, tile * tile)
        rank = tile * tile * PAPER_PERCENTILE // 100
        level = np.partition(flat, rank, axis=2)[:, :, rank]
    return np.asarray(_mark_dark(light, level.astype(np.float64), tile, share))


@njit(cache=True, nogil=True)
def _measure_labels(label: NDArray[np.int32], count: int) -> NDArray[np.float64]:
    """Sum 1, x, y, xx, xy, yy and border touches of each label, (labels, 7)."""
    sums = np.zeros((count + 1, 7))
    rows, columns = label.shape
    for i in range(rows):
        for j in range(columns):
            k = label[i, j]
            if k:
                sums[k, 0] += 1
                sums[k, 1] += j
                sums[k, 2] += i
                sums[k, 3] += j * j
                sums[k, 4] += j * i
                sums[k, 5] += i * i
                if i == 0 or j == 0 or i == rows - 1 or j == columns - 1:
                    sums[k, 6] += 1
    return sums[1:]


def find_blobs(light: NDArray[np.float32], tile: int, share: float = DARK_SHARES[0]) -> Blobs:
    """Find the dark round blobs of a small frame that do not touch its border.

    Parameters
    ----------
    light
        (rows, columns): a small frame.
    tile
        Side of the squares whose paper level is estimated, in small pixels; about a pitch. Nothing wider is a disc.
    share
        Share of the paper's level below which a pixel is dark.
    """
    label = np.empty(light.shape, np.int32)
    count = ndimage.label(find_dark(light, tile, share), output=label)
    sums = _measure_labels(label, count)
    sums = sums[(sums[:, 0] >= SMALLEST_AREA) & (sums[:, 6] == 0) & (sums[:, 0] < 4 * tile * tile)]
    area = sums[:, 0]
    x, y = sums[:, 1] / area, sums[:, 2] / area
    # each pixel is a square of variance 1/12, not a point
    xx = sums[:, 3] / area - x * x + 1 / 12
    yy = sums[:, 5] / area - y * y + 1 / 12
    xy = sums[:, 4] / area - x * y
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    long, short = mean + half, np.maximum(mean - half, 1e-9)
    fill = area / (4 * np.pi * np.sqrt(long * short))
    solid = (fill > FILL_LIMITS[0]) & (fill < FILL_LIMITS[1])
    # the light hole of a ring widens its second moments
    ring = (fill > RING_FILL) & (fill <= FILL_LIMITS[0]) & _is_light_at(light, x, y, area)
    keep = (solid | ring) & (np.sqrt(short / long) > ROUNDEST_AXES)
    outer = np.where(ring, np.sqrt(area * (1 + (1 - fill) / (1 + fill)) / np.pi), np.sqrt(area / np.pi))
    return Blobs(place=np.column_stack([x, y])[keep], radius=outer[keep])


def _is_light_at(
    light: NDArray[np.float32], x: NDArray[np.float64], y: NDArray[np.float64], area: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return whether a blob's middle is lighter than three quarters out on both sides: (blobs,)."""
    rows, columns = light.shape
    row = np.clip(np.rint(y).astype(int), 0, rows - 1)
    out = 0.75 * np.sqrt(area / np.pi)
    middle = light[row, np.clip(np.rint(x).astype(int), 0, columns - 1)]
    left = light[row, np.clip(np.rint(x - out).astype(int), 0, columns - 1)]
    right = light[row, np.clip(np.rint(x + out).astype(int), 0, columns - 1)]
    return np.asarray(middle > 1.5 * np.maximum(left, right))
