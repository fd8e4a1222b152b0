"""Width and depth of a shadow, by a fit to the cells about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.cells import follow_dark, mean_cells, measure_noise
from glasswright_camera.spots.fit import fit_shadow

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.spots.seen import Seen

    Array = NDArray[np.float64]
    Array32 = NDArray[np.float32]

REACH: Final = 2.2
"""Half a fit's window, in the radius that the shadow seems to have."""
LONG: Final = 1.6
"""Length over width from which a shadow is not round. Each is widened by the cone of light alike, so a scratch's shadow
is less drawn out than the scratch."""
LONG_CUT: Final = 2.5
"""The same where the frame's border cuts it: half a disc is 1.9 times as long as wide."""
ASLANT: Final = 0.5
"""Sine of the angle to the border up to which a long shadow lies along it."""
PLATEAU_U: Final = 0.2
CELLS_ACROSS: Final = 24
"""More cells over a window than this tell no more."""
EXTENT_CELLS: Final = 8
"""Over a shadow's width, where its outline is followed."""
EXTENT_CLEAR: Final = 6.0
"""Standard deviations of such a cell that the depth must have, so that half of it is no noise."""
NOISE_BANDS: Final = 64
"""Rows of joined cells, spread over the frame, from which their noise is read."""


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
    """Width of the slope at the border: that of the thing itself or of the cone of light, whichever is less."""
    spread: Array | None = None
    """(2, 2): covariance of its cells' places, of a long one."""
    noise: float = 0.0
    """Of a cell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """The cells that hang together at half a shadow's depth."""

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
        """Whether it is no round shadow."""
        return bool(self.axes[1] > (LONG_CUT if self.is_cut else LONG) * self.axes[0])


def measure_shape(residual: Array32, seen: Seen) -> Shape | None:
    """Fit a round shadow, a plateau with a sloping rim; a long one is read from its moments. None: nothing there.

    What was seen may be part of a greater whole: half of a scratch, or the rim of a wide shadow. So the cells that hang
    together at half the depth decide what is fitted.
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


def hugs_border(shape: Shape, size: tuple[int, int]) -> bool:
    """Say whether a long shadow lies along the frame's border, within its own width: light that falls off, no mark.

    Where something stands in a corner's light no smooth field follows its edge, and what is left looks long. A
    scratch that crosses the border does not lie along it.

    Parameters
    ----------
    size
        Rows and columns of the frame.
    """
    if shape.spread is None:
        return False
    _, turn = np.linalg.eigh(shape.spread)
    beside = [min(at, count - 1 - at) < shape.size for at, count in zip(shape.place, size[::-1], strict=True)]
    # near the left or right border and upright, or near the upper or lower one and level
    return any(near and abs(along) < ASLANT for near, along in zip(beside, turn[:, 1], strict=True))


def find_extent(residual: Array32, shape: Shape) -> Extent | None:
    """Return the cells about a shadow's middle that are half as deep or more and hang together; None: too faint."""
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
    """Return the noise of cells joined side x side, from some bands of rows over the frame."""
    bands = max(1, residual.shape[0] // side // NOISE_BANDS)
    rows = residual[: residual.shape[0] // side * side].reshape(-1, side, residual.shape[1])[::bands]
    return measure_noise(mean_cells(np.ascontiguousarray(rows).reshape(-1, residual.shape[1]), side))


def _cells(residual: Array32, place: Array, reach: float) -> Array:
    """Return x, y and value of the cells within reach of a place, joined where there are many: (3, cells)."""
    x0, x1 = max(int(place[0] - reach), 0), min(int(place[0] + reach) + 2, residual.shape[1])
    y0, y1 = max(int(place[1] - reach), 0), min(int(place[1] + reach) + 2, residual.shape[0])
    side = max(1, min(int(2 * reach / CELLS_ACROSS), y1 - y0, x1 - x0))
    part = mean_cells(residual[y0:y1, x0:x1], side)
    y, x = np.mgrid[: part.shape[0], : part.shape[1]].astype(np.float64)
    return np.stack([(x0 + (x + 0.5) * side - 0.5).ravel(), (y0 + (y + 0.5) * side - 0.5).ravel(), part.ravel()])


def _fit_round(residual: Array32, place: Array, guess: float, noise: float) -> Shape | None:
    """Least squares over place, depth, outer radius, the plateau's share of it, and the level about it.

    The plateau of an opaque thing is ``(1 - s) / (1 + s)`` of the radius, s the square root of the depth. That is
    expected within `PLATEAU_U`, which decides where the shadow is too faint to show its own.
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
    """Read a long shadow: four standard deviations long, its depth the mean along its middle line."""
    axes = whole.axes
    _, turn = np.linalg.eigh(whole.spread)
    along = np.linspace(-1.2, 1.2, 41)[:, None] * axes[1] * turn[:, 1] + whole.place
    rows, columns = residual.shape
    column = np.clip(np.rint(along[:, 0]).astype(int), 0, columns - 1)
    row = np.clip(np.rint(along[:, 1]).astype(int), 0, rows - 1)
    # the deepest of three cells across, for lines that wander
    across = turn[:, 0] * max(1.0, float(axes[0]) / 2)
    depths = [
        residual[
            np.clip(np.rint(row + k * across[1]).astype(int), 0, rows - 1),
            np.clip(np.rint(column + k * across[0]).astype(int), 0, columns - 1),
        ]
        for k in (-1, 0, 1)
    ]
    depth = -np.min(depths, axis=0).astype(np.float64)
    return Shape(
        place=whole.place,
        spread=whole.spread,
        rim=float("nan"),
        size=4 * float(axes[0]),
        size_u=float(axes[0]),
        depth=float(depth.mean()),
        depth_u=float(depth.std() / np.sqrt(len(depth))),
        length=4 * float(axes[1]),
    )
