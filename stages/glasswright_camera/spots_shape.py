"""Width and depth of a shadow, by a fit to the cells about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import least_squares

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.spots_seen import Seen

    Array = NDArray[np.float64]
    Array32 = NDArray[np.float32]

REACH: Final = 2.2
"""Half a fit's window, in the radius that the shadow seems to have."""
LONG: Final = 3.0
"""Length over width from which a shadow is not round."""
PLATEAU_U: Final = 0.2
CELLS_ACROSS: Final = 24
"""More cells over a window than this tell no more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """A shadow's shape in cells of level 0."""

    place: Array
    size: float
    size_u: float
    depth: float
    depth_u: float
    length: float
    noise: float = 0.0
    """Of a cell."""


def measure_shape(residual: Array32, seen: Seen) -> Shape | None:
    """Fit a round shadow, a plateau with a sloping rim; a long one is read from its moments. None: nothing there."""
    axes = np.sqrt(np.linalg.eigvalsh(seen.spread))
    if axes[1] > LONG * axes[0]:
        return _long_shape(residual, seen, axes)
    first = _fit_round(residual, seen.place, 2.0 * float(np.sqrt(axes.prod())), 0.0)
    return None if first is None else _fit_round(residual, seen.place, first.size / 2, first.noise)


def _cells(residual: Array32, place: Array, reach: float) -> tuple[Array, Array, Array]:
    """Give x, y and value of the cells within reach of a place, joined where there are many."""
    x0, x1 = max(int(place[0] - reach), 0), min(int(place[0] + reach) + 2, residual.shape[1])
    y0, y1 = max(int(place[1] - reach), 0), min(int(place[1] + reach) + 2, residual.shape[0])
    part = residual[y0:y1, x0:x1].astype(np.float64)
    side = max(1, min(int(2 * reach / CELLS_ACROSS), *part.shape))
    rows, columns = part.shape[0] // side, part.shape[1] // side
    part = part[: rows * side, : columns * side].reshape(rows, side, columns, side).mean(axis=(1, 3))
    y, x = np.mgrid[:rows, :columns].astype(np.float64)
    return (
        (x0 + (x + 0.5) * side - 0.5).ravel(),
        (y0 + (y + 0.5) * side - 0.5).ravel(),
        part.ravel(),
    )


def _fit_round(residual: Array32, place: Array, guess: float, noise: float) -> Shape | None:
    """Least squares over place, depth, outer radius, the plateau's share of it, and the level about it.

    The plateau of an opaque thing is ``(1 - s) / (1 + s)`` of the radius, s the square root of the depth. That is
    expected within `PLATEAU_U`, which decides where the shadow is too faint to show its own.
    """
    x, y, value = _cells(residual, place, max(REACH * guess, 5.0))

    def shadow(p: Array) -> Array:
        r = np.hypot(x - p[0], y - p[1])
        rim = np.clip((p[3] - r) / np.maximum(p[3] * (1 - p[4]), 0.5), 0, 1)
        root = np.sqrt(p[2])
        expected = noise * (p[4] - (1 - root) / (1 + root)) / PLATEAU_U
        return np.append(p[5] - p[2] * rim - value, expected)

    lowest = float(np.clip(-np.min(value), 1e-3, 0.9))
    low = [place[0] - guess - 1, place[1] - guess - 1, 1e-6, 0.6, 0.0, -0.5]
    high = [place[0] + guess + 1, place[1] + guess + 1, 1.0, 3.0 * guess + 5, 0.95, 0.5]
    fit = least_squares(shadow, [*place, 0.8 * lowest, guess, 0.3, 0.0], bounds=(low, high), x_scale="jac")
    slope = np.asarray(fit.jac, dtype=np.float64)
    covariance = np.linalg.pinv(slope.T @ slope) * 2 * fit.cost / max(len(value) - 6, 1)
    u = np.sqrt(np.maximum(np.diag(covariance), 0))
    if not fit.success or fit.x[2] < 3 * u[2]:
        return None
    return Shape(place=fit.x[:2], size=2 * fit.x[3], size_u=2 * u[3], depth=fit.x[2], depth_u=u[2], length=2 * fit.x[3])


def _long_shape(residual: Array32, seen: Seen, axes: Array) -> Shape:
    """Read a long shadow: four standard deviations long, its depth the mean along its middle line."""
    _, turn = np.linalg.eigh(seen.spread)
    along = np.linspace(-1.2, 1.2, 41)[:, None] * axes[1] * turn[:, 1] + seen.place
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
        place=seen.place,
        size=4 * float(axes[0]),
        size_u=float(axes[0]),
        depth=float(depth.mean()),
        depth_u=float(depth.std() / np.sqrt(len(depth))),
        length=4 * float(axes[1]),
    )
