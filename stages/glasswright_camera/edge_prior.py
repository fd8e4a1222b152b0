"""What is expected of a blur's amounts before it is looked at: how the family of `edge_shapes` is spread."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled
from glasswright_camera.edge_fit import LOPSIDED, ODD, PARAMETERS, SHAPE, TURN, WIDTH
from glasswright_camera.edge_shapes import edge_shapes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_SHARE, MOST_SHARE = 0.005, 4.0
"""Bounds of how astigmatic, or comatic, a disc's blur is against the family (square of the amounts)."""
FIRST_SHARE: Final = 0.3


@cache
def expectations() -> Array:
    """Give three inverse covariances (3, PARAMETERS, PARAMETERS): of round shapes, astigmatism and coma.

    Those of the widths are for widths over the mean one.
    """
    shapes = edge_shapes()
    parts = np.zeros((3, PARAMETERS, PARAMETERS))
    round_part = np.arange(SHAPE, TURN)
    parts[0][np.ix_(round_part, round_part)] = np.linalg.inv(shapes.round_spread)
    stretched = np.array([WIDTH + 1, WIDTH + 3, *range(TURN, LOPSIDED)])
    parts[1][np.ix_(stretched, stretched)] = np.linalg.inv(shapes.astigmatic_spread)
    for k in (0, 1):
        # blur that is stretched askew to the image radius
        parts[1][WIDTH + 2 + 2 * k, WIDTH + 2 + 2 * k] = 1 / shapes.astigmatic_spread[k, k]
    for first in (LOPSIDED, LOPSIDED + 2 * ODD):
        lopsided = np.arange(first, first + 2 * ODD)
        parts[2][np.ix_(lopsided, lopsided)] = np.linalg.inv(shapes.comatic_spread)
    return parts


@compiled
def expect(parts: Array, shares: Array, width: float, prior: Array) -> None:
    """Fill `prior` with the inverse covariance for a mean width and for the shares of astigmatism and coma."""
    for a in range(PARAMETERS):
        for b in range(PARAMETERS):
            prior[a, b] = parts[0, a, b] + parts[1, a, b] / shares[0] + parts[2, a, b] / shares[1]
    for k in range(WIDTH + 1, WIDTH + 5):
        for a in range(PARAMETERS):
            prior[k, a] /= width
            prior[a, k] /= width


@compiled
def find_shares(parts: Array, value: Array, covariance: Array, shares: Array) -> None:
    """Fill how astigmatic and how comatic a fitted blur is, against the family: squares, less what noise makes.

    Each is judged by the amounts that lead: width in 2a and 4a, and the first lopsided shape in a.
    """
    shares[:] = LEAST_SHARE
    for k in (WIDTH + 1, WIDTH + 3):
        # the sine's expectation stands alone, so its inverse is the spread
        size = value[k] ** 2 + value[k + 1] ** 2 - covariance[k, k] - covariance[k + 1, k + 1]
        shares[0] = max(shares[0], size * parts[1, k + 1, k + 1] / value[WIDTH] ** 2)
    a, b = LOPSIDED, LOPSIDED + 2 * ODD
    shares[1] = max(shares[1], value[a] ** 2 + value[b] ** 2 - covariance[a, a] - covariance[b, b])
    for k in range(2):
        shares[k] = min(shares[k], MOST_SHARE)
