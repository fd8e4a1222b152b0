"""A smooth surface fitted to a frame: unevenness of lamps and falloff, without spots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.cells import mean_cells
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]

DEGREE: Final = 6
"""Total degree of the polynomial in x and y: it fits lamps and falloff, not spots."""
GRID: Final = 48
"""Cells over the frame's width to which the surface is fitted."""
SWEEPS, BELOW = 10, 3.0
"""Number of fits, and robust standard deviations below the surface beyond which a cell is left out of the next fit. A
wide shadow pulls the first fit down and is excluded step by step."""
LEAST_SIDE: Final = 24
"""Smallest side of a frame, in cells, in which spots can be found."""
LEAST_CELLS: Final = 4
"""Fewest cells for each coefficient of the polynomial."""


def fit_surface(light: Array32) -> Array32:
    """Return a polynomial surface fitted to cell means, repeatedly without the cells far below it."""
    rows, columns = light.shape
    side = max(columns // GRID, 1)
    cells = mean_cells(light, side).astype(np.float64)
    high, wide = cells.shape
    y, x = (2 * ((np.arange(count) + 0.5) * side / size) - 1 for count, size in ((high, rows), (wide, columns)))
    rise, run = (np.polynomial.legendre.legvander(axis, DEGREE) for axis in (y, x))
    down, along = np.nonzero(np.add.outer(np.arange(DEGREE + 1), np.arange(DEGREE + 1)) <= DEGREE)
    design = (rise[:, None, down] * run[None, :, along]).reshape(high * wide, -1)
    value, kept = cells.ravel(), np.ones(cells.size, dtype=bool)
    fit = np.zeros(design.shape[1])
    for _ in range(SWEEPS):
        if np.count_nonzero(kept) < LEAST_CELLS * design.shape[1]:
            break  # too few cells are left for a fit
        part = design[kept]
        fit = np.linalg.solve(part.T @ part, part.T @ value[kept])
        off = value / (design @ fit) - 1
        kept = off > -BELOW * robust_sigma(off[kept], about=0.0)
    fine_y, fine_x = (
        np.polynomial.legendre.legvander(2 * (np.arange(size) + 0.5) / size - 1, DEGREE) for size in (rows, columns)
    )
    table = np.zeros((DEGREE + 1, DEGREE + 1))
    table[down, along] = fit
    # of 32 bits, as the light itself
    return np.asarray((fine_y @ table).astype(np.float32) @ fine_x.T.astype(np.float32))
