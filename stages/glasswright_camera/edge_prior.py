"""What is expected of a blur's amounts before it is looked at: how the family of `edge_spread` is spread."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.compiled import compiled
from glasswright_camera.edge_parameters import EVEN, LOPSIDED, ODD, PARAMETERS, SHAPE, TURN, WIDTH
from glasswright_camera.edge_spread import edge_spread

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

TWICE, FOUR_TIMES, FOUR_TIMES_ASKEW, COMA = 0, 1, 2, 3
"""Shares: how astigmatic a disc's blur is against the family, in 2a and in 4a, and how comatic (squares)."""
SHARES: Final = 4
LEAST_SHARE, MOST_SHARE = 0.005, 4.0
FIRST_SHARE: Final = 0.3


class Expectations(NamedTuple):
    """What `edge_spread` says, laid out for compiled code: see there."""

    alone: Array
    """(2, PARAMETERS, PARAMETERS) inverse covariances of round shapes and of lopsided ones."""
    widths: Array
    squared: float
    lopsided: float
    twice: Array
    four_times: Array
    coma: Array
    left: Array
    """(4, EVEN, EVEN): covariance of what followers leave: astigmatic in 2a, in 4a, comatic in 2a, in 4a."""


@cache
def expectations() -> Expectations:
    """Lay out the spread of the family; computed once in a process."""
    spread = edge_spread()
    alone = np.zeros((2, PARAMETERS, PARAMETERS))
    alone[0, SHAPE:TURN, SHAPE:TURN] = np.linalg.inv(spread.rounds)
    for first in (LOPSIDED, LOPSIDED + 2 * ODD):
        lopsided = slice(first, first + 2 * ODD)
        alone[1, lopsided, lopsided] = np.linalg.inv(spread.comatic)
    return Expectations(
        alone=alone,
        widths=spread.widths,
        squared=spread.squared,
        lopsided=spread.lopsided,
        twice=spread.twice,
        four_times=spread.four_times,
        coma=spread.coma,
        left=np.stack([spread.left_twice, spread.left_four_times, spread.coma_left_twice, spread.coma_left_four_times]),
    )


@compiled
def expect(expected: Expectations, value: Array, shares: Array, width: float, prior: Array) -> None:
    """Fill `prior` with the inverse covariance for a mean width and for the shares of astigmatism and coma.

    What follows is a product of amounts; it is taken as linear about those of `value`, (PARAMETERS,).
    """
    comatic = shares[COMA] ** 2 / expected.lopsided
    for a in range(PARAMETERS):
        for b in range(PARAMETERS):
            prior[a, b] = expected.alone[0, a, b] + expected.alone[1, a, b] / shares[COMA]
    for k in range(2):
        prior[WIDTH + 1 + k, WIDTH + 1 + k] = 1 / (shares[TWICE] * expected.widths[0])
    _square(expected, value, width, shares, prior)
    _follow(expected, value, width, 0, shares[TWICE] * expected.left[0] + comatic * expected.left[2], prior)
    _follow(expected, value, width, 1, shares[FOUR_TIMES] * expected.left[1] + comatic * expected.left[3], prior)
    for k in range(WIDTH + 1, WIDTH + 5):
        for a in range(PARAMETERS):
            prior[k, a] /= width
            prior[a, k] /= width


@compiled
def _square(expected: Expectations, value: Array, width: float, shares: Array, prior: Array) -> None:
    """Add to `prior` that the width in 4a follows the square of that in 2a, both of the mean one."""
    c, s = value[WIDTH + 1] / width, value[WIDTH + 2] / width
    tie = np.empty(2)
    for k in range(2):
        tie[0], tie[1] = (
            (expected.squared * c, -expected.squared * s) if k == 0 else (expected.squared * s, expected.squared * c)
        )
        precision = 1 / _four_times_spread(expected, shares, k)
        own = WIDTH + 3 + k
        prior[own, own] += precision
        for a in range(2):
            prior[own, WIDTH + 1 + a] -= precision * tie[a]
            prior[WIDTH + 1 + a, own] -= precision * tie[a]
            for b in range(2):
                prior[WIDTH + 1 + a, WIDTH + 1 + b] += precision * tie[a] * tie[b]


@compiled
def _four_times_spread(expected: Expectations, shares: Array, k: int) -> float:
    """Variance about what is expected of the width in cos 4a (k = 0) or sin 4a (1), of the mean one."""
    comatic = shares[COMA] ** 2 / expected.lopsided
    return float(shares[FOUR_TIMES + k] * expected.widths[1] + comatic * expected.widths[2])


@compiled
def _follow(expected: Expectations, value: Array, width: float, four: int, left: Array, prior: Array) -> None:
    """Add to `prior` that the shapes in cos 2a, or cos 4a, follow the width in that, the round shapes and coma."""
    leads = np.empty(3 + EVEN, dtype=np.int64)
    leads[0], leads[1], leads[2] = WIDTH + 1 + 2 * four, LOPSIDED, LOPSIDED + 2 * ODD
    leads[3:] = np.arange(SHAPE, TURN)
    coefficient = expected.four_times if four else expected.twice
    leader = value[leads[0]] / width
    c, s = (0.0, 0.0) if four else (value[leads[1]], value[leads[2]])
    tie = np.empty((EVEN, 3 + EVEN))
    for j in range(EVEN):
        tie[j, 0] = coefficient[0, j]
        tie[j, 1], tie[j, 2] = c * expected.coma[0, j], -s * expected.coma[0, j]
        for i in range(EVEN):
            tie[j, 3 + i] = leader * coefficient[1 + i, j] + (c * c - s * s) * expected.coma[1 + i, j]
    inverse = np.linalg.inv(left)
    pulled = inverse @ tie
    both = tie.T @ pulled
    first = TURN + four * EVEN
    for j in range(EVEN):
        for i in range(EVEN):
            prior[first + j, first + i] += inverse[j, i]
        for a in range(3 + EVEN):
            prior[first + j, leads[a]] -= pulled[j, a]
            prior[leads[a], first + j] -= pulled[j, a]
    for a in range(3 + EVEN):
        for b in range(3 + EVEN):
            prior[leads[a], leads[b]] += both[a, b]


@compiled
def find_shares(expected: Expectations, value: Array, covariance: Array, shares: Array) -> None:
    """Replace the shares, under which a blur was fitted, by those it shows: squares, less what noise makes.

    Each is judged by the amounts that lead: width in 2a and in 4a, and the first lopsided shape in a. The width in 4a
    is small and weakly held; it is first freed of what its expectation drew it by.
    """
    root = value[WIDTH]
    width = root**2
    k = WIDTH + 1
    size = value[k] ** 2 + value[k + 1] ** 2 - covariance[k, k] - covariance[k + 1, k + 1]
    twice = min(max(size / width / expected.widths[0], LEAST_SHARE), MOST_SHARE)
    c, s = value[WIDTH + 1], value[WIDTH + 2]
    for k in range(2):
        usual = expected.squared / width * (2 * c * s if k else c * c - s * s)
        held, known = covariance[WIDTH + 3 + k, WIDTH + 3 + k] / width, 0.0
        drawn = 1 / _four_times_spread(expected, shares, k)
        precision = 1 / held - drawn
        if precision > 0:
            freed = (value[WIDTH + 3 + k] / root / held - drawn * usual) / precision
            known = (freed - usual) ** 2 - 1 / precision
        shares[FOUR_TIMES + k] = max(min(known / expected.widths[1], twice), LEAST_SHARE)
    shares[TWICE] = twice
    a, b = LOPSIDED, LOPSIDED + 2 * ODD
    size = value[a] ** 2 + value[b] ** 2 - covariance[a, a] - covariance[b, b]
    shares[COMA] = min(max(size, LEAST_SHARE), MOST_SHARE)
