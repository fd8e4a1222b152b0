"""Width and depth of a shadow, by a fit to the cells about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.cells import follow_dark, mean_cells, measure_noise
from glasswright_camera.spots.fit import fit_shadow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.spots.candidates import Candidate

    Array = NDArray[np.float64]
    Array32 = NDArray[np.float32]

REACH: Final = 2.2
"""Half of a fit's window, in estimated radii of the shadow."""
LONG: Final = 1.6
"""Length over width from which on a shadow is long. The cone of light widens both equally, so a scratch's shadow has a
smaller ratio than the scratch."""
LONG_CUT: Final = 2.5
"""The same where the frame's border cuts it: half a disc is 1.9 times as long as wide."""
ASLANT: Final = 0.5
"""Sine of the angle to the border up to which a long shadow lies along it."""
RETURNS: Final = 0.5
"""Largest depth at the border, of that of a mark beside it."""
RETURNS_ABOVE: Final = 0.1
"""Most light at the border above the smooth field, of the same: beside a steep cut-off the field itself is wrong."""
ENDS_FRAC: Final = 0.05
"""Least distance from the corners, of the side, of the ends of a mark that the border cuts along its length."""
PLATEAU_U: Final = 0.2
CELLS_ACROSS: Final = 24
"""Most cells over a fit's window."""
EXTENT_CELLS: Final = 8
"""Blocks over a shadow's width in which its outline is followed."""
EXTENT_CLEAR: Final = 6.0
"""Least depth in standard deviations of such a block, so that half of the depth is above noise."""
SEGMENTS: Final = 12
"""Most parts along a long shadow: short enough that a bent one is nearly straight in each."""
MIDDLE: Final = 1.2
"""Half-length of the middle line, in standard deviations: shorter than a uniform line, which has 1.7, so that its ends
do not count."""
COVERED: Final = 0.6
"""Radius within which a round shadow explains cells, over its width: the outer edge and a tenth beyond."""
NOISE_BANDS: Final = 16
"""Fewest rows of blocks, spread over the frame, from which their noise is estimated: for the widest shadows with a
relative standard error of 5 %, for others with less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A shadow's shape in cells of level 0."""

    place: Array
    size: float
    size_u: float
    depth: float
    depth_u: float
    length: float
    rim: float
    """Width of the slope at the border: that of the object or of the cone of light, the smaller."""
    spread: Array | None = None
    """(2, 2): covariance of its cells' places, for a long shadow."""
    noise: float = 0.0
    """Noise of a cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """The connected cells at half of a shadow's depth or more."""

    place: Array
    spread: Array
    is_cut: bool = False
    """Whether it reaches the frame's border."""

    @property
    def axes(self) -> Array:
        """Standard deviations along the narrow and the long axis."""
        return np.asarray(np.sqrt(np.linalg.eigvalsh(self.spread)))

    @property
    def is_long(self) -> bool:
        """Whether the shadow is long, not round."""
        return bool(self.axes[1] > (LONG_CUT if self.is_cut else LONG) * self.axes[0])


def measure_shape(residual: Array32, seen: Candidate) -> Shape | None:
    """Return a shadow's shape: a plateau with a sloping rim if round, from moments if long; None without a shadow.

    A candidate may be a part of something larger: half of a scratch, or the rim of a wide shadow. Therefore the
    connected cells at half the depth decide what is fitted.
    """
    whole = Extent(place=seen.place, spread=seen.spread)
    if whole.is_long:
        part = _long_shape(residual, whole)
        whole = find_extent(residual, part) or whole
        if whole.is_long:
            return _long_shape(residual, whole)
    guess = 2.0 * float(np.sqrt(whole.axes.prod()))
    first = _fit_round(residual, whole.place, guess, 0.0)
    shape = None if first is None else _fit_round(residual, whole.place, first.size / 2, first.noise)
    extent = None if shape is None else find_extent(residual, shape)
    return shape if extent is None or not extent.is_long else _long_shape(residual, extent)


def is_falloff(shape: Shape, residual: Array32) -> bool:
    """Return whether a long shadow along the frame's border, within its own width, is falloff and not a mark.

    The smooth field does not fit the edge of a shaded corner, and the residual looks long. Falloff is darkest at the
    border and reaches into a corner, or along a whole side. Beyond a mark that lies inside the frame the light returns
    to the smooth field; a mark that the border cuts ends before the corners.
    """
    if shape.spread is None:
        return False
    _, turn = np.linalg.eigh(shape.spread)
    # along the left or right border (columns count the distance), or along the upper or lower one
    return any(
        _touches(float(shape.place[axis]), residual.shape[1 - axis], shape.size)
        and abs(turn[axis, 1]) < ASLANT
        and not _is_mark(shape, residual if axis == 1 else residual.T, float(shape.place[axis]), axis)
        for axis in (0, 1)
    )


def _touches(at: float, count: int, width: float) -> bool:
    return min(at, count - 1 - at) < width


def _is_mark(shape: Shape, rows: Array32, at: float, axis: int) -> bool:
    """Return whether a shadow along the first or last row is a mark.

    Parameters
    ----------
    rows
        The residual, turned so that the border is a row.
    at
        Distance of the shadow from row 0.
    axis
        That of the distance, in `shape.place`.
    """
    along, side = float(shape.place[1 - axis]), rows.shape[1]
    start, end = along - shape.length / 2, along + shape.length / 2
    if start > ENDS_FRAC * side and end < (1 - ENDS_FRAC) * side:
        return True
    inner = rows[:, max(int(along - shape.length / 4), 0) : int(along + shape.length / 4) + 1].mean(axis=1)
    depth = -(inner if at < len(inner) / 2 else inner[::-1])
    deepest = float(depth[: int(2 * shape.size) + 1].max())
    return bool(-RETURNS_ABOVE * deepest < depth[0] < RETURNS * deepest)


def is_row_of_spots(residual: Array32, shape: Shape, others: Sequence[Shape]) -> bool:
    """Return whether a long shadow is only a row of round ones: without their cells less than half of it is left."""
    near = [other for other in others if other.spread is None and other.size < shape.length]
    if shape.spread is None or not near:
        return False
    left = np.nan_to_num(follow_depth(residual, shape, near))
    return bool(left.mean() < shape.depth / 2)


def find_extent(residual: Array32, shape: Shape) -> Extent | None:
    """Return the connected cells about a shadow's middle at half its depth or more; None if it is too faint."""
    side = max(1, int(shape.size / EXTENT_CELLS))
    rows, columns = residual.shape[0] // side, residual.shape[1] // side
    if shape.depth < EXTENT_CLEAR * _measure_cell_noise(residual, side):
        return None
    column, row = (
        int(np.clip(at / side, 0, count - 1)) for at, count in zip(shape.place, (columns, rows), strict=True)
    )
    y, x = follow_dark(residual, side, -shape.depth / 2, row, column).T
    if not len(x):
        return None
    places = (np.stack([x, y]) + 0.5) * side - 0.5
    spread = np.cov(places, bias=True) + np.eye(2) * side**2 / 12
    is_cut = bool(min(x.min(), y.min()) == 0 or x.max() == columns - 1 or y.max() == rows - 1)
    return Extent(place=np.asarray(places.mean(axis=1)), spread=np.asarray(spread), is_cut=is_cut)


def _measure_cell_noise(residual: Array32, side: int) -> float:
    """Return the noise of blocks of side x side cells, from bands of rows over the frame."""
    bands = max(1, residual.shape[0] // side // NOISE_BANDS)
    rows = residual[: residual.shape[0] // side * side].reshape(-1, side, residual.shape[1])[::bands]
    return measure_noise(mean_cells(np.ascontiguousarray(rows).reshape(-1, residual.shape[1]), side))


def _cells(residual: Array32, place: Array, reach: float) -> Array:
    """Return x, y and value of the cells within reach of a place, averaged to blocks if many: (3, cells)."""
    x0, x1 = max(int(place[0] - reach), 0), min(int(place[0] + reach) + 2, residual.shape[1])
    y0, y1 = max(int(place[1] - reach), 0), min(int(place[1] + reach) + 2, residual.shape[0])
    side = max(1, min(int(2 * reach / CELLS_ACROSS), y1 - y0, x1 - x0))
    part = mean_cells(residual[y0:y1, x0:x1], side)
    y, x = np.mgrid[: part.shape[0], : part.shape[1]].astype(np.float64)
    return np.stack([(x0 + (x + 0.5) * side - 0.5).ravel(), (y0 + (y + 0.5) * side - 0.5).ravel(), part.ravel()])


def _fit_round(residual: Array32, place: Array, guess: float, noise: float) -> Shape | None:
    """Fit place, depth, outer radius, the plateau's share of it, and the level about it; None without a shadow.

    The plateau of an opaque object is ``(1 - s) / (1 + s)`` of the radius, s the square root of the depth. This is the
    prior mean of the share, with a standard deviation of PLATEAU_U, which matters for faint shadows.
    """
    cells = _cells(residual, place, max(REACH * guess, 5.0))
    lowest = float(np.clip(-np.min(cells[2]), 1e-3, 0.9))
    start = np.array([*place, 0.8 * lowest, guess, 0.3, 0.0])
    low = np.array([place[0] - guess - 1, place[1] - guess - 1, 1e-6, 0.6, 0.0, -0.5])
    high = np.array([place[0] + guess + 1, place[1] + guess + 1, 1.0, 3.0 * guess + 5, 0.95, 0.5])
    fit, curvature, squares, rested = fit_shadow(cells, start, low, high, noise / PLATEAU_U)
    variance = squares / max(cells.shape[1] - 6, 1)
    u = np.sqrt(np.maximum(np.diag(np.linalg.pinv(curvature) * variance), 0))
    is_inside = -0.5 <= fit[0] <= residual.shape[1] - 0.5 and -0.5 <= fit[1] <= residual.shape[0] - 0.5
    if not rested or fit[2] < 3 * u[2] or not is_inside:
        return None
    return Shape(
        place=fit[:2],
        size=2 * float(fit[3]),
        size_u=2 * float(u[3]),
        depth=float(fit[2]),
        depth_u=float(u[2]),
        length=2 * float(fit[3]),
        rim=float(fit[3] * (1 - fit[4])),
        noise=float(np.sqrt(variance)),
    )


def _long_shape(residual: Array32, whole: Extent) -> Shape:
    """Return the shape of a long shadow: four standard deviations long, with the mean depth along its middle line."""
    narrow, wide = whole.axes
    depth = follow_depth(residual, whole)
    return Shape(
        place=whole.place,
        spread=whole.spread,
        rim=float("nan"),
        size=4 * float(narrow),
        size_u=float(narrow),
        depth=float(np.nanmean(depth)),
        depth_u=float(np.nanstd(depth) / np.sqrt(len(depth))),
        length=4 * float(wide),
    )


def follow_depth(residual: Array32, whole: Extent | Shape, others: Sequence[Shape] = ()) -> Array:
    """Return the depth along a long shadow's middle line, in up to SEGMENTS parts of it: (parts,).

    The middle line is 2.4 standard deviations long. A track is half a standard deviation wide, and at least one cell.
    In each part one of three tracks side by side counts, for lines that are not straight: that which is deepest in the
    two parts beside it. The deepest in the part itself would be too deep by its noise.

    Parameters
    ----------
    others
        Round shadows whose cells are left out.

    Returns
    -------
    numpy.ndarray
        NaN for a part without cells.
    """
    spread = np.asarray(whole.spread)
    deviations, turn = np.linalg.eigh(spread)
    narrow, wide = np.sqrt(deviations)
    # both hold at least the nearest cell
    half, track = max(1.0, MIDDLE * float(wide)), max(1.0, float(narrow) / 2)
    reach = half * np.abs(turn[:, 1]) + 1.5 * track * np.abs(turn[:, 0]) + 1
    low = np.maximum(np.floor(whole.place - reach), 0).astype(int)
    high = np.minimum(np.ceil(whole.place + reach) + 1, residual.shape[::-1]).astype(int)
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]].astype(np.float64)
    along, across = (
        ((x - whole.place[0]) * turn[0, axis] + (y - whole.place[1]) * turn[1, axis]) / scale
        for axis, scale in ((1, half), (0, 1.5 * track))
    )
    inside = (np.abs(along) < 1) & (np.abs(across) < 1)
    for other in others:
        inside &= np.hypot(x - other.place[0], y - other.place[1]) > COVERED * other.size
    # a part is at least as long as a track is wide
    parts = int(np.clip(2 * half / (1.5 * track), 1, SEGMENTS))
    part = ((along[inside] + 1) * (parts / 2)).astype(int) * 3 + ((across[inside] + 1) * 1.5).astype(int)
    light = residual[low[1] : high[1], low[0] : high[0]][inside]
    count = np.bincount(part, minlength=3 * parts)
    total = np.bincount(part, light.astype(np.float64), minlength=3 * parts)
    depth = np.divide(-total, count, out=np.full(3 * parts, np.nan), where=count > 0).reshape(parts, 3)
    padded = np.pad(np.nan_to_num(depth), ((1, 1), (0, 0)))
    beside = np.where(np.isnan(depth), -np.inf, padded[:-2] + padded[2:])
    return np.take_along_axis(depth, np.argmax(beside, axis=1)[:, None], axis=1)[:, 0]
