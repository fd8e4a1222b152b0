"""Cholesky solver for symmetric positive definite matrices, which numba does not have."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from glasswright_camera.compiled import compiled

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@compiled
def factorise(matrix: Array, upper: Array) -> bool:
    """Fill `upper` with the Cholesky factor U of a symmetric matrix U^T U; False where it is not positive definite."""
    size = len(matrix)
    for j in range(size):
        row = upper[j]
        row[:j] = 0.0
        row[j:] = matrix[j, j:]
        for k in range(j):
            above = upper[k]
            share = above[j]
            for i in range(j, size):
                row[i] -= share * above[i]
        if not row[j] > 0:
            return False
        scale = 1.0 / math.sqrt(row[j])
        for i in range(j, size):
            row[i] *= scale
    return True


@compiled
def solve_factorised(upper: Array, right: Array, solution: Array) -> None:
    """Solve U^T U solution = right."""
    size = len(right)
    solution[:] = right
    for j in range(size):
        solution[j] /= upper[j, j]
        for i in range(j + 1, size):
            solution[i] -= upper[j, i] * solution[j]
    for j in range(size - 1, -1, -1):
        total = solution[j]
        for i in range(j + 1, size):
            total -= upper[j, i] * solution[i]
        solution[j] = total / upper[j, j]
