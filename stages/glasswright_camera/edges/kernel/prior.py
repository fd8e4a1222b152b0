"""The prior of a blur's parameters: a Gaussian whose moments are those of the family of blurs (`moments`).

It is kept in information form: the precision (inverse covariance) and the precision times the mean. Angular
coefficients are regressed on lower-order ones; each regression adds its terms to both.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.compiled import part
from glasswright_camera.edges.kernel.parameters import (
    EVEN_0,
    EVEN_2,
    EVEN_4,
    ODD_C1,
    ODD_S1,
    PARAMETERS,
    WIDTH,
    WIDTH_C2,
    WIDTH_C4,
    WIDTH_S2,
    WIDTH_S4,
)
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.kernel.moments import FamilyMoments

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

HARMONIC_2, HARMONIC_4_COS, HARMONIC_4_SIN, COMA, HALO = 0, 1, 2, 3, 4
"""Prior scales: factors on the family's variances of astigmatism (harmonics 2 and 4 of the width), coma (odd shapes)
and halo."""
FIRST_SCALES: Final = (0.3, 0.3, 0.3, 0.3, 2.0)
"""Scales of the first fit, before those of the disc are estimated: a third of the variance of the family, whose
aberrations are strong."""


class PriorSettings(NamedTuple):
    """Constants of the prior that were set by trial; a named tuple, as compiled code reads it.

    Each is a choice between bias and scatter: `ci/bench ablation --settings` shows what halving and doubling it does;
    its results are in `stages/DECISIONS.md`.
    """

    first_scales: tuple[float, float, float, float, float] = FIRST_SCALES
    least_scale: float = 0.005
    most_scale: float = 4.0
    """Limits: from 7 % of the family's rms to twice it."""
    harmonic_2_factor: float = 1.5
    halo_factor: float = 6.0
    """Factors that undo the fit's shrinkage towards the prior mean. A halo's is larger: once it is detected a wide
    prior costs no scatter."""
    halo_least: float = 0.25
    halo_most: float = 6.0
    """Limits of the halo's scale."""
    least_beside_harmonic_2: float = 0.05
    """Least scale of the width's harmonic 4, as a share of that of its harmonic 2."""
    least_snr_squared: float = 3.0
    most_scale_between_foci: float = 8.0
    """Between the two foci of an astigmatic lens the width has a harmonic 4 but no harmonic 2. A harmonic 4 whose
    square exceeds its variance by the first factor is therefore accepted alone, with a scale up to the second."""
    loosening_curvature: float = 0.15
    """The residual variance of regressed shapes grows as 1 + (curvature / this)^4: the family's edges are straight, and
    blur that is not round spreads light along a curved edge by another width than across it."""
    own_factor: float = 1.5
    guided_factor: float = 0.5
    """Factors on the part of the covariance that comes from the prior; 1 if the prior scales were known. They are
    estimated in one plane, whose covariance is therefore too small and the others' too large."""


@part
def fill_prior(
    family: FamilyMoments,
    settings: PriorSettings,
    value: Array,
    scales: Array,
    width: float,
    curvature: float,
    prior: Array,
    information: Array,
) -> None:
    """Fill the prior for one mean width and prior scales.

    The prior mean of each angular coefficient is a product of lower-order coefficients, linearised about `value`,
    (PARAMETERS,).

    Parameters
    ----------
    curvature
        1/MTF50 over the disc's radius.
    prior, information
        Filled: the precision, (PARAMETERS, PARAMETERS), and the precision times the mean, (PARAMETERS,).
    """
    loose = 1 + (curvature / settings.loosening_curvature) ** 4
    comatic = loose * scales[COMA] / family.odd_1_square
    prior[:, :] = 0.0
    information[:] = 0.0
    odd = np.linalg.inv(scales[COMA] * family.odd)
    prior[ODD_C1:ODD_S1, ODD_C1:ODD_S1] = odd
    prior[ODD_S1:PARAMETERS, ODD_S1:PARAMETERS] = odd
    prior[EVEN_0:EVEN_2, EVEN_0:EVEN_2] = np.linalg.inv(family.round_ + scales[HALO] * family.halo)
    own = value.copy()
    own[WIDTH_C2:EVEN_0] /= width
    _add_width_2(family, own, scales, comatic, prior, information)
    _add_width_4(family, own, scales, prior, information)
    _add_even_2(
        family, own, loose * scales[HARMONIC_2] * family.residual[0] + comatic * family.residual[2], prior, information
    )
    share = (scales[HARMONIC_4_COS] + scales[HARMONIC_2] ** 2 / family.width_2_kurtosis) / 2
    _add_even_4(family, own, loose * share * family.residual[1] + comatic * family.residual[3], prior, information)
    for k in range(WIDTH_C2, EVEN_0):
        information[k] /= width
        for a in range(PARAMETERS):
            prior[k, a] /= width
            prior[a, k] /= width


@part
def _add_regression(
    own: int, predictors: Counts, slopes: Array, offset: float, precision: float, prior: Array, information: Array
) -> None:
    """Add the regression of one coefficient on predictors: offset, slopes and the residual's precision."""
    prior[own, own] += precision
    information[own] += precision * offset
    for a in range(len(predictors)):
        prior[own, predictors[a]] -= precision * slopes[a]
        prior[predictors[a], own] -= precision * slopes[a]
        information[predictors[a]] -= precision * offset * slopes[a]
        for b in range(len(predictors)):
            prior[predictors[a], predictors[b]] += precision * slopes[a] * slopes[b]


@part
def _width_2_of_odd(family: FamilyMoments, value: Array) -> float:
    """Return the slope of the width's harmonic 2, over the mean width, on the square of coma."""
    return float(family.width_2_of_odd[0] + np.sum(family.width_2_of_odd[1:] * value[EVEN_0:EVEN_2]))


@part
def _add_width_2(
    family: FamilyMoments, own: Array, scales: Array, comatic: float, prior: Array, information: Array
) -> None:
    """Add the regression of harmonic 2 of the width, over the mean width, on the square of coma."""
    precision = 1 / (scales[HARMONIC_2] * family.width_variance[0] + comatic * family.width_variance[2])
    rate = _width_2_of_odd(family, own)
    a, b = own[ODD_C1], own[ODD_S1]
    predictors, slopes = np.empty(2 + EVEN_COUNT, dtype=np.int64), np.empty(2 + EVEN_COUNT)
    predictors[0], predictors[1] = ODD_C1, ODD_S1
    predictors[2:] = np.arange(EVEN_0, EVEN_2)
    for sine in range(2):
        square = 2 * a * b if sine else a * a - b * b
        slopes[0], slopes[1] = (2 * rate * b, 2 * rate * a) if sine else (2 * rate * a, -2 * rate * b)
        slopes[2:] = square * family.width_2_of_odd[1:]
        offset = square * (family.width_2_of_odd[0] - 2 * rate)
        _add_regression(WIDTH_C2 + sine, predictors, slopes, offset, precision, prior, information)


@part
def _add_width_4(family: FamilyMoments, own: Array, scales: Array, prior: Array, information: Array) -> None:
    """Add the regression of harmonic 4 of the width on the square of harmonic 2, both over the mean width."""
    predictors = np.array([WIDTH_C2, WIDTH_S2])
    c, s = family.width_4_of_square * own[WIDTH_C2], family.width_4_of_square * own[WIDTH_S2]
    cosine, sine = c * own[WIDTH_C2] - s * own[WIDTH_S2], 2 * c * own[WIDTH_S2]
    spread = _width_4_variance(family, scales, 0), _width_4_variance(family, scales, 1)
    _add_regression(WIDTH_C4, predictors, np.array([2 * c, -2 * s]), -cosine, 1 / spread[0], prior, information)
    _add_regression(WIDTH_S4, predictors, np.array([2 * s, 2 * c]), -sine, 1 / spread[1], prior, information)


@part
def _width_4_variance(family: FamilyMoments, scales: Array, k: int) -> float:
    """Return the residual variance of the width's cos 4a (k = 0) or sin 4a (1), over the mean width."""
    comatic = scales[COMA] / family.odd_1_square
    return float(scales[HARMONIC_4_COS + k] * family.width_variance[1] + comatic * family.width_variance[3])


@part
def _sum_coefficients(coefficients: Array, own: Array, sums: Array) -> None:
    """Fill `sums`, (EVEN_COUNT,): ``coefficients[0]`` and the harmonic 0 of the even shapes times the other rows."""
    sums[:] = coefficients[0]
    for i in range(EVEN_COUNT):
        sums += own[EVEN_0 + i] * coefficients[1 + i]


@part
def _add_even_2(family: FamilyMoments, own: Array, residual: Array, prior: Array, information: Array) -> None:
    """Add the regression of the even shapes' harmonic 2 on that of the width, its cube, harmonic 0, and coma."""
    predictors = np.empty(4 + EVEN_COUNT, dtype=np.int64)
    predictors[0], predictors[1], predictors[2], predictors[3] = WIDTH_C2, WIDTH_S2, ODD_C1, ODD_S1
    predictors[4:] = np.arange(EVEN_0, EVEN_2)
    w, sine, c, s = own[WIDTH_C2], own[WIDTH_S2], own[ODD_C1], own[ODD_S1]
    size, square = w * w + sine * sine, c * c - s * s
    linear, cubic, comatic = np.empty(EVEN_COUNT), np.empty(EVEN_COUNT), np.empty(EVEN_COUNT)
    _sum_coefficients(family.even_2[0], own, linear)
    _sum_coefficients(family.even_2[1], own, cubic)
    _sum_coefficients(family.even_2_of_odd, own, comatic)
    slopes, offset = np.empty((EVEN_COUNT, 4 + EVEN_COUNT)), np.empty(EVEN_COUNT)
    for j in range(EVEN_COUNT):
        slopes[j, 0] = linear[j] + (size + 2 * w * w) * cubic[j]
        slopes[j, 1] = 2 * w * sine * cubic[j]
        slopes[j, 2], slopes[j, 3] = 2 * c * comatic[j], -2 * s * comatic[j]
        for i in range(1, 1 + EVEN_COUNT):
            of_width = w * (family.even_2[0, i, j] + size * family.even_2[1, i, j])
            slopes[j, 3 + i] = of_width + square * family.even_2_of_odd[i, j]
        offset[j] = w * linear[j] + w * size * cubic[j] + square * comatic[j]
    _add_regressions(EVEN_2, predictors, slopes, offset, own, residual, prior, information)


@part
def _add_even_4(family: FamilyMoments, own: Array, residual: Array, prior: Array, information: Array) -> None:
    """Add the regression of the even shapes' harmonic 4 on the width's, its harmonic 2 squared, and harmonic 0."""
    predictors = np.empty(3 + EVEN_COUNT, dtype=np.int64)
    predictors[0], predictors[1], predictors[2] = WIDTH_C4, WIDTH_C2, WIDTH_S2
    predictors[3:] = np.arange(EVEN_0, EVEN_2)
    c, s, four = own[WIDTH_C2], own[WIDTH_S2], own[WIDTH_C4]
    square = c * c - s * s
    linear, squared = np.empty(EVEN_COUNT), np.empty(EVEN_COUNT)
    _sum_coefficients(family.even_4[0], own, linear)
    _sum_coefficients(family.even_4[1], own, squared)
    slopes, offset = np.empty((EVEN_COUNT, 3 + EVEN_COUNT)), np.empty(EVEN_COUNT)
    for j in range(EVEN_COUNT):
        slopes[j, 0] = linear[j]
        slopes[j, 1], slopes[j, 2] = 2 * c * squared[j], -2 * s * squared[j]
        for i in range(1, 1 + EVEN_COUNT):
            slopes[j, 2 + i] = four * family.even_4[0, i, j] + square * family.even_4[1, i, j]
        offset[j] = four * linear[j] + square * squared[j]
    _add_regressions(EVEN_4, predictors, slopes, offset, own, residual, prior, information)


@part
def _add_regressions(
    first: int,
    predictors: Counts,
    slopes: Array,
    predicted: Array,
    own: Array,
    residual: Array,
    prior: Array,
    information: Array,
) -> None:
    """Add the regressions of EVEN_COUNT coefficients with a residual covariance.

    `slopes` is (EVEN_COUNT, predictors); `predicted` is the prediction at the parameters `own`, (EVEN_COUNT,).
    """
    inverse = np.linalg.inv(residual)
    pulled = inverse @ slopes
    both = slopes.T @ pulled
    offset = predicted.copy()
    for j in range(EVEN_COUNT):
        for a in range(len(predictors)):
            offset[j] -= slopes[j, a] * own[predictors[a]]
    for j in range(EVEN_COUNT):
        for i in range(EVEN_COUNT):
            prior[first + j, first + i] += inverse[j, i]
            information[first + j] += inverse[j, i] * offset[i]
        for a in range(len(predictors)):
            prior[first + j, predictors[a]] -= pulled[j, a]
            prior[predictors[a], first + j] -= pulled[j, a]
            information[predictors[a]] -= pulled[j, a] * offset[j]
    for a in range(len(predictors)):
        for b in range(len(predictors)):
            prior[predictors[a], predictors[b]] += both[a, b]


@part
def estimate_scales(
    family: FamilyMoments, settings: PriorSettings, value: Array, covariance: Array, scales: Array
) -> None:
    """Replace the prior scales of a fit by those estimated from its result (empirical Bayes).

    Each is a fitted coefficient squared, less its noise, over the family's mean square. The coefficients are the
    width's harmonic 2 less the prediction from coma; its harmonic 4 without its own prior; the first odd shape; the
    halo discriminant."""
    root = value[WIDTH]
    width = root**2
    k = WIDTH_C2
    rate = _width_2_of_odd(family, value) * root
    a, b = value[ODD_C1], value[ODD_S1]
    size = (value[k] - rate * (a * a - b * b)) ** 2 + (value[k + 1] - rate * 2 * a * b) ** 2
    size -= covariance[k, k] + covariance[k + 1, k + 1]
    least, greatest = settings.least_scale, settings.most_scale
    harmonic_2 = min(max(settings.harmonic_2_factor * size / width / family.width_variance[0], least), greatest)
    c, s = value[WIDTH_C2], value[WIDTH_S2]
    for k in range(2):
        predicted = family.width_4_of_square / width * (2 * c * s if k else c * c - s * s)
        variance, known, most = covariance[WIDTH_C4 + k, WIDTH_C4 + k] / width, 0.0, harmonic_2
        own_precision = 1 / _width_4_variance(family, scales, k)
        precision = 1 / variance - own_precision
        if precision > 0:
            free = (value[WIDTH_C4 + k] / root / variance - own_precision * predicted) / precision
            known = (free - predicted) ** 2 - 1 / precision
            if known > settings.least_snr_squared / precision:
                most = settings.most_scale_between_foci
        scales[HARMONIC_4_COS + k] = max(
            min(known / family.width_variance[1], most), settings.least_beside_harmonic_2 * harmonic_2, least
        )
    scales[HARMONIC_2] = harmonic_2
    k, m = ODD_C1, ODD_S1
    size = a**2 + b**2 - covariance[k, k] - covariance[m, m]
    scales[COMA] = min(max(size, least), greatest)
    sign, shown, noise = family.halo_discriminant, 0.0, 0.0
    for i in range(EVEN_COUNT):
        shown += sign[i] * value[EVEN_0 + i]
        for j in range(EVEN_COUNT):
            noise += sign[i] * sign[j] * (covariance[EVEN_0 + i, EVEN_0 + j] + family.round_[i, j])
    scales[HALO] = min(max(settings.halo_factor * (shown**2 - noise), settings.halo_least), settings.halo_most)
