"""What is expected of a blur's amounts before it is looked at: how the family of `spread` is spread."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.compiled import compiled
from glasswright_camera.edges.kernel.parameters import EVEN, LOPSIDED, ODD, PARAMETERS, SHAPE, TURN, WIDTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.spread import EdgeSpread

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

TWICE, FOUR_TIMES, FOUR_TIMES_ASKEW, COMA, HALO = 0, 1, 2, 3, 4
"""Shares: how astigmatic a disc's blur is against the family, in 2a and in 4a, how comatic, how much of a halo
(squares)."""
FIRST_SHARES: Final = (0.3, 0.3, 0.3, 0.3, 2.0)
LEAST_SHARE, MOST_SHARE = 0.005, 4.0
TWICE_LEEWAY: Final = 1.5
HALO_LEEWAY: Final = 6.0
"""Shares are so many times what shows, as that was drawn to the usual; and once a halo is told it costs no scatter."""
HALO_LEAST, HALO_MOST = 0.25, 6.0
LEAST_BESIDE_TWICE: Final = 0.05
"""Where a blur turns as cos 2a, it is expected to turn as cos 4a by so much of that share or more."""
STANDS_OUT: Final = 3.0
"""A width in 4a whose square is so many times its noise's or more is believed whatever that in 2a is: two foci on
either side of the sensor leave little of the latter. Such a share may be up to MOST_BETWEEN_FOCI."""
MOST_BETWEEN_FOCI: Final = 8.0
LOOSENING_BEND: Final = 0.15
"""From such a bend on, followers are expected less and less near what they follow: the family's edges are straight,
and blur that is not round spreads light along a bent edge by another width than across it."""


@compiled
def expect(
    usual: EdgeSpread, value: Array, shares: Array, width: float, bend: float, prior: Array, toward: Array
) -> None:
    """Fill what is expected for a mean width and for the shares of astigmatism and coma.

    What follows is a product of amounts; it is taken as linear about those of `value`, (PARAMETERS,), with all its
    slopes.

    Parameters
    ----------
    bend
        1/MTF50 over the disc's radius.
    prior, toward
        Filled: (PARAMETERS, PARAMETERS), the inverse covariance, and (PARAMETERS,), that times what is expected.
    """
    loose = 1 + (bend / LOOSENING_BEND) ** 4
    comatic = loose * shares[COMA] / usual.lopsided
    prior[:, :] = 0.0
    toward[:] = 0.0
    lopsided = np.linalg.inv(shares[COMA] * usual.comatic)
    prior[LOPSIDED : LOPSIDED + 2 * ODD, LOPSIDED : LOPSIDED + 2 * ODD] = lopsided
    prior[LOPSIDED + 2 * ODD : PARAMETERS, LOPSIDED + 2 * ODD : PARAMETERS] = lopsided
    prior[SHAPE:TURN, SHAPE:TURN] = np.linalg.inv(usual.rounds + shares[HALO] * usual.halos)
    own = value.copy()
    own[WIDTH + 1 : WIDTH + 5] /= width
    _stretch(usual, own, shares, comatic, prior, toward)
    _square(usual, own, shares, prior, toward)
    _follow_twice(usual, own, loose * shares[TWICE] * usual.left[0] + comatic * usual.left[2], prior, toward)
    share = (shares[FOUR_TIMES] + shares[TWICE] ** 2 / usual.fourth) / 2
    _follow_four_times(usual, own, loose * share * usual.left[1] + comatic * usual.left[3], prior, toward)
    for k in range(WIDTH + 1, WIDTH + 5):
        toward[k] /= width
        for a in range(PARAMETERS):
            prior[k, a] /= width
            prior[a, k] /= width


@compiled
def _tie(own: int, leads: Counts, slopes: Array, offset: float, precision: float, prior: Array, toward: Array) -> None:
    """Add that an amount is an offset and the sum of slopes times what leads, to a precision."""
    prior[own, own] += precision
    toward[own] += precision * offset
    for a in range(len(leads)):
        prior[own, leads[a]] -= precision * slopes[a]
        prior[leads[a], own] -= precision * slopes[a]
        toward[leads[a]] -= precision * offset * slopes[a]
        for b in range(len(leads)):
            prior[leads[a], leads[b]] += precision * slopes[a] * slopes[b]


@compiled
def _usual_stretch(usual: EdgeSpread, value: Array) -> float:
    """Give the width in 2a, of the mean one, that is expected of coma, over the square of that."""
    return float(usual.coma_width[0] + np.sum(usual.coma_width[1:] * value[SHAPE:TURN]))


@compiled
def _stretch(usual: EdgeSpread, own: Array, shares: Array, comatic: float, prior: Array, toward: Array) -> None:
    """Add that the width in 2a, of the mean one, follows the square of coma."""
    precision = 1 / (shares[TWICE] * usual.widths[0] + comatic * usual.widths[2])
    rate = _usual_stretch(usual, own)
    a, b = own[LOPSIDED], own[LOPSIDED + 2 * ODD]
    leads, slopes = np.empty(2 + EVEN, dtype=np.int64), np.empty(2 + EVEN)
    leads[0], leads[1] = LOPSIDED, LOPSIDED + 2 * ODD
    leads[2:] = np.arange(SHAPE, TURN)
    for askew in range(2):
        square = 2 * a * b if askew else a * a - b * b
        slopes[0], slopes[1] = (2 * rate * b, 2 * rate * a) if askew else (2 * rate * a, -2 * rate * b)
        slopes[2:] = square * usual.coma_width[1:]
        offset = square * (usual.coma_width[0] - 2 * rate)
        _tie(WIDTH + 1 + askew, leads, slopes, offset, precision, prior, toward)


@compiled
def _square(usual: EdgeSpread, own: Array, shares: Array, prior: Array, toward: Array) -> None:
    """Add that the width in 4a follows the square of that in 2a, both of the mean one."""
    leads = np.array([WIDTH + 1, WIDTH + 2])
    c, s = usual.squared * own[WIDTH + 1], usual.squared * own[WIDTH + 2]
    along, askew = c * own[WIDTH + 1] - s * own[WIDTH + 2], 2 * c * own[WIDTH + 2]
    spread = _four_times_spread(usual, shares, 0), _four_times_spread(usual, shares, 1)
    _tie(WIDTH + 3, leads, np.array([2 * c, -2 * s]), -along, 1 / spread[0], prior, toward)
    _tie(WIDTH + 4, leads, np.array([2 * s, 2 * c]), -askew, 1 / spread[1], prior, toward)


@compiled
def _four_times_spread(usual: EdgeSpread, shares: Array, k: int) -> float:
    """Variance about what is expected of the width in cos 4a (k = 0) or sin 4a (1), of the mean one."""
    comatic = shares[COMA] / usual.lopsided
    return float(shares[FOUR_TIMES + k] * usual.widths[1] + comatic * usual.widths[3])


@compiled
def _of_round(coefficients: Array, own: Array, sums: Array) -> None:
    """Fill `sums`, (EVEN,): the first coefficients and the round amounts times the others, (1 + EVEN, EVEN)."""
    sums[:] = coefficients[0]
    for i in range(EVEN):
        sums += own[SHAPE + i] * coefficients[1 + i]


@compiled
def _follow_twice(usual: EdgeSpread, own: Array, left: Array, prior: Array, toward: Array) -> None:
    """Add that the shapes in cos 2a follow the width in 2a, its cube, the round shapes and coma."""
    leads = np.empty(4 + EVEN, dtype=np.int64)
    leads[0], leads[1], leads[2], leads[3] = WIDTH + 1, WIDTH + 2, LOPSIDED, LOPSIDED + 2 * ODD
    leads[4:] = np.arange(SHAPE, TURN)
    w, askew, c, s = own[WIDTH + 1], own[WIDTH + 2], own[LOPSIDED], own[LOPSIDED + 2 * ODD]
    size, square = w * w + askew * askew, c * c - s * s
    linear, cubic, comatic = np.empty(EVEN), np.empty(EVEN), np.empty(EVEN)
    _of_round(usual.twice[0], own, linear)
    _of_round(usual.twice[1], own, cubic)
    _of_round(usual.coma, own, comatic)
    slopes, offset = np.empty((EVEN, 4 + EVEN)), np.empty(EVEN)
    for j in range(EVEN):
        slopes[j, 0] = linear[j] + (size + 2 * w * w) * cubic[j]
        slopes[j, 1] = 2 * w * askew * cubic[j]
        slopes[j, 2], slopes[j, 3] = 2 * c * comatic[j], -2 * s * comatic[j]
        for i in range(1, 1 + EVEN):
            of_width = w * (usual.twice[0, i, j] + size * usual.twice[1, i, j])
            slopes[j, 3 + i] = of_width + square * usual.coma[i, j]
        offset[j] = w * linear[j] + w * size * cubic[j] + square * comatic[j]
    _tie_shapes(TURN, leads, slopes, offset, own, left, prior, toward)


@compiled
def _follow_four_times(usual: EdgeSpread, own: Array, left: Array, prior: Array, toward: Array) -> None:
    """Add that the shapes in cos 4a follow the width in 4a, the square of that in 2a, and round shapes."""
    leads = np.empty(3 + EVEN, dtype=np.int64)
    leads[0], leads[1], leads[2] = WIDTH + 3, WIDTH + 1, WIDTH + 2
    leads[3:] = np.arange(SHAPE, TURN)
    c, s, four = own[WIDTH + 1], own[WIDTH + 2], own[WIDTH + 3]
    square = c * c - s * s
    linear, squared = np.empty(EVEN), np.empty(EVEN)
    _of_round(usual.four_times[0], own, linear)
    _of_round(usual.four_times[1], own, squared)
    slopes, offset = np.empty((EVEN, 3 + EVEN)), np.empty(EVEN)
    for j in range(EVEN):
        slopes[j, 0] = linear[j]
        slopes[j, 1], slopes[j, 2] = 2 * c * squared[j], -2 * s * squared[j]
        for i in range(1, 1 + EVEN):
            slopes[j, 2 + i] = four * usual.four_times[0, i, j] + square * usual.four_times[1, i, j]
        offset[j] = four * linear[j] + square * squared[j]
    _tie_shapes(TURN + EVEN, leads, slopes, offset, own, left, prior, toward)


@compiled
def _tie_shapes(
    first: int, leads: Counts, slopes: Array, there: Array, own: Array, left: Array, prior: Array, toward: Array
) -> None:
    """Add that EVEN amounts follow what leads, to a covariance of what is left.

    `slopes` is (EVEN, leads), `there` what is expected, (EVEN,), where amounts are `own`.
    """
    inverse = np.linalg.inv(left)
    pulled = inverse @ slopes
    both = slopes.T @ pulled
    offset = there.copy()
    for j in range(EVEN):
        for a in range(len(leads)):
            offset[j] -= slopes[j, a] * own[leads[a]]
    for j in range(EVEN):
        for i in range(EVEN):
            prior[first + j, first + i] += inverse[j, i]
            toward[first + j] += inverse[j, i] * offset[i]
        for a in range(len(leads)):
            prior[first + j, leads[a]] -= pulled[j, a]
            prior[leads[a], first + j] -= pulled[j, a]
            toward[leads[a]] -= pulled[j, a] * offset[j]
    for a in range(len(leads)):
        for b in range(len(leads)):
            prior[leads[a], leads[b]] += both[a, b]


@compiled
def find_shares(usual: EdgeSpread, value: Array, covariance: Array, shares: Array) -> None:
    """Replace the shares, under which a blur was fitted, by those it shows: squares, less what noise makes.

    Each is judged by the amounts that lead: width in 2a, less what is expected of coma, width in 4a, the first
    lopsided shape in a, and what tells halos, less the spread of other round shapes. The width in 4a is small and
    weakly held; it is first freed of what its expectation drew it by.
    """
    root = value[WIDTH]
    width = root**2
    k = WIDTH + 1
    rate = _usual_stretch(usual, value) * root
    a, b = value[LOPSIDED], value[LOPSIDED + 2 * ODD]
    size = (value[k] - rate * (a * a - b * b)) ** 2 + (value[k + 1] - rate * 2 * a * b) ** 2
    size -= covariance[k, k] + covariance[k + 1, k + 1]
    twice = min(max(TWICE_LEEWAY * size / width / usual.widths[0], LEAST_SHARE), MOST_SHARE)
    c, s = value[WIDTH + 1], value[WIDTH + 2]
    for k in range(2):
        from_twice = usual.squared / width * (2 * c * s if k else c * c - s * s)
        held, known, most = covariance[WIDTH + 3 + k, WIDTH + 3 + k] / width, 0.0, twice
        drawn = 1 / _four_times_spread(usual, shares, k)
        precision = 1 / held - drawn
        if precision > 0:
            freed = (value[WIDTH + 3 + k] / root / held - drawn * from_twice) / precision
            known = (freed - from_twice) ** 2 - 1 / precision
            if known > STANDS_OUT / precision:
                most = MOST_BETWEEN_FOCI
        shares[FOUR_TIMES + k] = max(min(known / usual.widths[1], most), LEAST_BESIDE_TWICE * twice, LEAST_SHARE)
    shares[TWICE] = twice
    k, m = LOPSIDED, LOPSIDED + 2 * ODD
    size = a**2 + b**2 - covariance[k, k] - covariance[m, m]
    shares[COMA] = min(max(size, LEAST_SHARE), MOST_SHARE)
    sign, told, noise = usual.halo_sign, 0.0, 0.0
    for i in range(EVEN):
        told += sign[i] * value[SHAPE + i]
        for j in range(EVEN):
            noise += sign[i] * sign[j] * (covariance[SHAPE + i, SHAPE + j] + usual.rounds[i, j])
    shares[HALO] = min(max(HALO_LEEWAY * (told**2 - noise), HALO_LEAST), HALO_MOST)
