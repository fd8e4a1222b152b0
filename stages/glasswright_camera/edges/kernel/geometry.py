"""The local affine map from print to sensor at each disc, from all discs together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def local_maps(node: NDArray[np.int64], centre_px: Array, pitch_mm: float) -> Array:
    """Return the derivative of the position on the sensor by that on the print, at each disc.

    A polynomial surface in the lattice's coordinates is fitted to all centres, once more without outliers, and
    differentiated. Its degree depends on the number of discs (5 from 60 on, 3 from 24 on, else 2).

    Parameters
    ----------
    node
        (discs, 2): column and row.
    centre_px
        (discs, 2): rough centres; an error of 0.3 px is harmless.
    pitch_mm
        Distance of neighbouring nodes on the print.

    Returns
    -------
    Array
        (discs, 2, 2): ``[:, i, j]`` is the change of sensor coordinate i, px, per mm along print axis j.
    """
    count = len(node)
    degree = 5 if count >= 60 else 3 if count >= 24 else 2
    middle = node.mean(axis=0)
    reach = max(float(np.abs(node - middle).max()), 1.0)
    x, y = ((node - middle) / reach).T
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    basis = np.column_stack([x**i * y**j for i, j in powers])
    by_x = np.column_stack([i * x ** max(i - 1, 0) * y**j for i, j in powers])
    by_y = np.column_stack([j * x**i * y ** max(j - 1, 0) for i, j in powers])
    good = np.ones(count, dtype=bool)
    for _ in range(2):
        weight = np.linalg.lstsq(basis[good], centre_px[good], rcond=None)[0]
        off = np.linalg.norm(basis @ weight - centre_px, axis=1)
        good = off <= max(5 * float(np.median(off)), 1e-6)
    slope = np.stack([by_x @ weight, by_y @ weight], axis=2)
    return np.ascontiguousarray(slope / (reach * pitch_mm))
