"""A smooth surface through a whole frame: lamps and falloff, not what lies on them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.cells import mean_cells
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array32 = NDArray[np.float32]

DEGREE: Final = 6
"""Of the polynomial through the field, x and y together: follows lamps and falloff, not spots."""
GRID: Final = 48
"""Cells over the width through which the field is fitted."""
SWEEPS, BELOW = 10, 3.0
"""Fits of it, and robust standard deviations below it from which a cell is left out of the next. A wide shadow pulls
the first fit down over its whole width, and is let go of bit by bit."""
LEAST_SIDE: Final = 24
"""Of a frame, in cells, that a band of sizes is looked for in; a smaller one shows no spots."""
LEAST_CELLS: Final = 4
"""For each coefficient of the polynomial."""


def fit_surface(light: Array32) -> Array32:
    """Fit a polynomial to cell means; what lies far below it is left out in turn."""
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
            break  # nothing smooth in it: what is left could be fitted by anything
        part = design[kept]
        fit = np.linalg.solve(part.T @ part, part.T @ value[kept])
        off = value / (design @ fit) - 1
        kept = off > -BELOW * robust_sigma(off[kept], about=0.0)
    fine_y, fine_x = (
        np.polynomial.legendre.legvander(2 * (np.arange(size) + 0.5) / size - 1, DEGREE) for size in (rows, columns)
    )
    table = np.zeros((DEGREE + 1, DEGREE + 1))
    table[down, along] = fit
    return np.asarray(fine_y @ table @ fine_x.T, dtype=np.float32)
