"""The centre of symmetry of the light falloff."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import least_squares

if TYPE_CHECKING:
    from numpy.typing import NDArray

CELLS: Final = 4
"""Cells of the jackknife along each side of the frame."""
FARTHEST: Final = 0.5
"""Half-diagonals; a centre beyond it is rejected."""
LEAST_KNOWN: Final = 0.1
"""Largest standard uncertainty of a centre, half-diagonals; with more it is rejected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Centre:
    """The centre of symmetry from the frame's centre, in half-diagonals; NaN where it was not found."""

    x: float
    y: float
    x_u: float
    y_u: float


def find_centre(gain: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]) -> Centre:
    """Fit g (1 + k1 r^2 + k2 r^4 + k3 r^6) about a free centre.

    The uncertainty is a jackknife over 16 cells of the frame: the polynomial's misfit is correlated between blocks, so
    the scatter of the residuals would give far too small an uncertainty. A linear gradient of the source has the same
    effect as a shifted centre.

    Parameters
    ----------
    gain
        (points,).
    x, y
        (points,): from the frame's centre, in half-diagonals, right and down positive.

    Returns
    -------
    Centre
    """

    def miss(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        return falloff(parameters, x, y) - gain

    def slope(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        return slopes(parameters, x, y)

    start = np.concatenate([[0.0, 0.0], np.linalg.lstsq(even_terms(x, y), gain, rcond=None)[0]])
    fit = least_squares(miss, start, jac=slope, method="lm")
    moves = leave_out(slopes(fit.x, x, y), fit.fun, cell_of(x) + CELLS * cell_of(y))
    spread = np.std(moves, axis=0) * np.sqrt(len(moves) - 1)
    centre = np.array([*fit.x[:2], *spread[:2]])
    if not np.isfinite(centre).all() or np.abs(centre[:2]).max() > FARTHEST or centre[2:].max() > LEAST_KNOWN:
        centre = np.full(4, np.nan)
    return Centre(x=float(centre[0]), y=float(centre[1]), x_u=float(centre[2]), y_u=float(centre[3]))


def even_terms(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return 1, r^2, r^4, r^6: (points, 4)."""
    squared = x**2 + y**2
    return np.stack([np.ones_like(squared), squared, squared**2, squared**3], axis=-1)


def falloff(parameters: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the model: centre x and y, then the factors of `even_terms`."""
    return np.asarray(even_terms(x - parameters[0], y - parameters[1]) @ parameters[2:])


def slopes(parameters: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the model's derivatives: (points, parameters)."""
    dx, dy = x - parameters[0], y - parameters[1]
    terms = even_terms(dx, dy)
    by_squared = terms[:, :3] @ (parameters[3:] * [1.0, 2.0, 3.0])
    return np.column_stack([-2 * dx * by_squared, -2 * dy * by_squared, terms])


def cell_of(place: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the cell along one direction, 0 to 3."""
    span = np.abs(place).max() * (1 + 1e-9)
    return np.asarray(np.floor((place / span + 1) / 2 * CELLS), dtype=np.int64)


def leave_out(
    jacobian: NDArray[np.float64], residual: NDArray[np.float64], cell: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return the change of the parameters (one Gauss-Newton step) without each cell's points: (cells, parameters)."""
    both = np.column_stack([jacobian, residual])
    products = np.array([both[cell == number].T @ both[cell == number] for number in range(CELLS * CELLS)])
    left = products.sum(axis=0) - products
    return np.array([-np.linalg.lstsq(each[:-1, :-1], each[:-1, -1], rcond=None)[0] for each in left])
