"""The least-squares fit of a round shadow: a plateau with a sloping rim."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled, part

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

MOST_STEPS: Final = 300
SETTLED: Final = 1e-9
"""Relative change of the sum of squares, or largest relative change of a parameter, at which a fit has converged."""
LEAST_SIZE: Final = 1e-3
"""Below it, the absolute change of a parameter is used."""
PARAMETERS: Final = 6
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-3, 1e-9, 1e12
NO_EFFECT: Final = 1e-12
"""Damping at first, at least, and where a fit is given up (Marquardt 1963; from memory). The last is added to the
matrix, so that a parameter without any effect does not make it singular."""
LESS, MORE = 5.0, 4.0
"""By which damping is divided after a step that succeeds, and multiplied after one that fails. Chosen."""


@compiled
def fit_shadow(
    cells: Array, start: Array, low: Array, high: Array, expected_weight: float
) -> tuple[Array, Array, float, bool]:  # pragma: no cover - compiled
    """Fit a round shadow (Levenberg-Marquardt), with each parameter within its bounds.

    Parameters
    ----------
    cells
        (3, cells): x, y and light of each, less 1.
    start, low, high
        Middle x and y, depth, outer radius, the plateau's share of it, the level about the shadow.
    expected_weight
        Weight of the plateau's share's deviation from that of an opaque object.

    Returns
    -------
    The parameters, the curvature (6, 6) of half the sum of squares there, that sum of squares, and whether the fit
    converged.
    """
    at = np.minimum(np.maximum(start, low), high)
    curvature, slope, squares = _linearise(cells, at, expected_weight)
    damping, rested = FIRST_DAMPING, False
    for _ in range(MOST_STEPS):
        # a parameter on its bound that would leave it stays there
        free = ~(((at <= low) & (slope > 0)) | ((at >= high) & (slope < 0)))
        matrix, push = np.eye(PARAMETERS), np.zeros(PARAMETERS)
        for i in range(PARAMETERS):
            if not free[i]:
                continue
            push[i] = -slope[i]
            for j in range(PARAMETERS):
                if free[j]:
                    matrix[i, j] = curvature[i, j]
            matrix[i, i] = curvature[i, i] * (1 + damping) + NO_EFFECT
        moved = np.minimum(np.maximum(at + np.linalg.solve(matrix, push), low), high)
        new_curvature, new_slope, new_squares = _linearise(cells, moved, expected_weight)
        step = np.max(np.abs(moved - at) / (np.abs(at) + LEAST_SIZE))
        if new_squares <= squares:
            gained = squares - new_squares
            at, curvature, slope, squares = moved, new_curvature, new_slope, new_squares
            damping = max(damping / LESS, LEAST_DAMPING)
            if gained <= SETTLED * squares or step < SETTLED:
                rested = True
                break
        elif step < SETTLED or damping > MOST_DAMPING:
            rested = True
            break
        else:
            damping *= MORE
    return at, curvature, squares, rested


@part
def _linearise(
    cells: Array, at: Array, expected_weight: float
) -> tuple[Array, Array, float]:  # pragma: no cover - compiled
    """Return curvature and slope of half the sum of squared residuals, and that sum."""
    curvature, slope, squares = np.zeros((PARAMETERS, PARAMETERS)), np.zeros(PARAMETERS), 0.0
    one = np.zeros(PARAMETERS)
    one[5] = 1.0
    depth, radius, share = at[2], at[3], at[4]
    sloping = radius * (1 - share)
    is_soft = sloping > 0.5
    width = sloping if is_soft else 0.5
    for k in range(cells.shape[1]):
        dx, dy = cells[0, k] - at[0], cells[1, k] - at[1]
        away = np.sqrt(dx * dx + dy * dy)
        rim = (radius - away) / width
        one[0], one[1], one[3], one[4] = 0.0, 0.0, 0.0, 0.0
        if 0 < rim < 1:
            inward = 1 / (max(away, 1e-9) * width)
            one[0], one[1] = -depth * dx * inward, -depth * dy * inward
            one[3] = -depth * (1 - (rim * (1 - share) if is_soft else 0.0)) / width
            one[4] = -depth * rim * radius / width if is_soft else 0.0
        rim = min(max(rim, 0.0), 1.0)
        one[2] = -rim
        off = at[5] - depth * rim - cells[2, k]
        squares += off * off
        for i in range(PARAMETERS):
            slope[i] += one[i] * off
            for j in range(i + 1):
                curvature[i, j] += one[i] * one[j]
    # prior: the plateau's share of an opaque object
    root = np.sqrt(depth)
    off = expected_weight * (share - (1 - root) / (1 + root))
    by_depth, by_share = expected_weight / (root * (1 + root) ** 2), expected_weight
    squares += off * off
    slope[2] += by_depth * off
    slope[4] += by_share * off
    curvature[2, 2] += by_depth * by_depth
    curvature[4, 2] += by_depth * by_share
    curvature[4, 4] += by_share * by_share
    for i in range(PARAMETERS):
        for j in range(i):
            curvature[j, i] = curvature[i, j]
    return curvature, slope, squares
