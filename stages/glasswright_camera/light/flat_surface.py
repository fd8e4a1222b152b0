"""Smooth surfaces through block means: a quadratic fitted about each point.

Falloff, illumination and shading are smooth over a few blocks, dust and noise are not. The fit is to block means, not
to points (the mean of x^2 over a block is x0^2 + side^2/12), so curvature within blocks does not bias it. Blocks cut by
the frame's border have their true middles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

REACH: Final = 5
"""Side of the square of blocks used by a fit."""
TERMS: Final = 6
LEAST_BLOCKS: Final = 12
"""Coefficients of a quadratic surface, and twice as many blocks at least."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """Places of the blocks along one side of the frame, in blocks from its beginning."""

    centre: NDArray[np.float64]
    """Middle of each block, as cut by the frame."""
    side: NDArray[np.float64]
    """Length of each block: 1 except the last."""

    @property
    def nominal(self) -> NDArray[np.float64]:
        """Middle of each block as if it were whole."""
        return np.arange(len(self.centre), dtype=np.float64) + 0.5


def lay_axis(size_px: int, block_px: float, offset_px: float = 0.0) -> Axis:
    """Return the blocks along a side of the frame, for a plane with an offset of its pixels in the blocks."""
    begin = np.arange(int(np.ceil(size_px / block_px)), dtype=np.float64)
    end = np.minimum(begin + 1, size_px / block_px)
    return Axis(centre=(begin + end) / 2 + offset_px / block_px, side=end - begin)


@dataclass(frozen=True, slots=True, kw_only=True)
class Smoother:
    """Weights that turn block means into the smooth surface's value at points."""

    block: NDArray[np.int64]
    """(points, blocks taken): flat index of each block."""
    weight: NDArray[np.float64]
    """(points, blocks taken)."""

    def value(self, means: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the surface at the points, from (rows, columns) block means; a block of weight 0 may be NaN."""
        taken = np.where(self.weight == 0, 0.0, means.ravel()[self.block])
        return np.asarray(np.einsum("ij,ij->i", taken, self.weight))

    def variance(self, variances: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the surface's variance at the points, from the block means' own, which are independent."""
        taken = np.where(self.weight == 0, 0.0, variances.ravel()[self.block])
        return np.asarray(np.einsum("ij,ij,ij->i", taken, self.weight, self.weight))


@dataclass(frozen=True, slots=True, kw_only=True)
class Windows:
    """The nearest 5 x 5 blocks about each of some points, and the weights of the quadratic fitted to all of them.

    They depend only on the frame and its blocks and are shared by all flats of a camera; weights are computed again
    only where blocks are left out."""

    x_axis: Axis
    y_axis: Axis
    x: NDArray[np.float64]
    """(points,), in blocks from the frame's upper left corner; so is `y`."""
    y: NDArray[np.float64]
    block: NDArray[np.int64]
    """(points, blocks taken): flat index of each block."""
    weight: NDArray[np.float64]
    """(points, blocks taken), where all are good."""

    def smoother(self, good: NDArray[np.bool_]) -> Smoother:
        """Fit a quadratic about each point to the good ones of the nearest 5 x 5 blocks.

        Parameters
        ----------
        good
            (rows, columns): which means are used.

        Raises
        ------
        Unmeasurable
            Where too few good blocks surround a point.
        """
        trusted = good.ravel()[self.block]
        count = trusted.sum(axis=1)
        if int(count.min()) < LEAST_BLOCKS:
            x, y = self.x[count.argmin()], self.y[count.argmin()]
            raise Unmeasurable(
                f"too few good blocks around block ({x:.0f}, {y:.0f}) of the frame to fit the light there"
            )
        touched = np.flatnonzero(count < REACH**2)
        if not len(touched):
            return Smoother(block=self.block, weight=self.weight)
        weight = self.weight.copy()
        weight[touched] = fit_weights(self.x_axis, self.y_axis, self.x[touched], self.y[touched], trusted[touched])
        return Smoother(block=self.block, weight=weight)


def lay_windows(x_axis: Axis, y_axis: Axis, x: NDArray[np.float64], y: NDArray[np.float64]) -> Windows:
    """Return windows about points (points,), in blocks from the frame's upper left corner.

    Raises
    ------
    Unmeasurable
        Where the frame has too few blocks.
    """
    rows, columns = len(y_axis.centre), len(x_axis.centre)
    if min(rows, columns) < REACH:
        raise Unmeasurable(f"the frame has only {columns} x {rows} blocks; ask for more of them")
    block = (take_nearest(y, rows)[:, :, None] * columns + take_nearest(x, columns)[:, None, :]).reshape(len(x), -1)
    weight = fit_weights(x_axis, y_axis, x, y, np.ones(block.shape, dtype=bool))
    return Windows(x_axis=x_axis, y_axis=y_axis, x=x, y=y, block=block, weight=weight)


def fit_weights(
    x_axis: Axis, y_axis: Axis, x: NDArray[np.float64], y: NDArray[np.float64], trusted: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return the weights of each point's blocks in the quadratic's value there: (points, blocks taken)."""
    columns, rows = take_nearest(x, len(x_axis.centre)), take_nearest(y, len(y_axis.centre))
    dx, dy = x_axis.centre[columns] - x[:, None], y_axis.centre[rows] - y[:, None]
    design = quadratic_means(dx, x_axis.side[columns], dy, y_axis.side[rows])
    weighted = design * trusted[:, :, None]
    first = np.linalg.inv(np.swapaxes(weighted, 1, 2) @ design)[:, 0, :]
    return np.asarray((weighted @ first[:, :, None])[:, :, 0])


def take_nearest(place: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    """Return the indices of the blocks nearest each place, shifted inwards at the border."""
    start = np.clip(np.floor(place).astype(np.int64) - REACH // 2, 0, count - REACH)
    return np.asarray(start[:, None] + np.arange(REACH))


def quadratic_means(
    dx: NDArray[np.float64], width: NDArray[np.float64], dy: NDArray[np.float64], height: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the block means of 1, x, y, x^2, xy, y^2: (points, blocks, terms)."""
    across = np.broadcast_to(dx[:, None, :], (len(dx), REACH, REACH))
    down = np.broadcast_to(dy[:, :, None], (len(dx), REACH, REACH))
    across_squared = across**2 + width[:, None, :] ** 2 / 12
    down_squared = down**2 + height[:, :, None] ** 2 / 12
    terms = [np.ones_like(across), across, down, across_squared, across * down, down_squared]
    return np.stack(terms, axis=-1).reshape(len(dx), REACH * REACH, TERMS)
