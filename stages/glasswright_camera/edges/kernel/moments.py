"""Moments of the family of blurs: covariances of its coefficients, and regressions between them.

The angular coefficients of a blur depend on each other. Where astigmatism changes the width as cos 2a, the even shapes
change with it, by an amount that depends on their harmonic 0: a stretched Gaussian stays one, a defocused pupil does
not, nor does a stretched Gaussian with a round halo. (Defocus and astigmatism enter harmonic 2 as a product, by odd
powers, so the cube of the width is a predictor as well.) Harmonic 4 of the width is about proportional to the square of
harmonic 2, unless the sensor lies between the two foci. Coma widens the blur in proportion to its square. Each angular
coefficient is therefore regressed on products of lower-order ones, and the prior variance is that of the residual.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from glasswright_camera.edges.kernel.family import TURNS, Samples, family
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, cosine_profile, edge_shapes, sine_profile

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

_RIDGE: Final = 0.1
"""Ridge of the second moments and regressions, of each coefficient's rms: the family is a sample, and its coefficients
are collinear. Set by trial on the blurs of `ci/bench accuracy`."""
_RESIDUAL_FACTOR: Final = 2.0
"""Factor on the residuals' standard deviations in the family: real lenses differ from its members, and predictors are
measured, not known. Set as _RIDGE."""


class FamilyMoments(NamedTuple):
    """Second moments and regression coefficients; a named tuple, as compiled code needs.

    A prediction is a sum: each predictor times ``coefficients[0] + harmonic 0 @ coefficients[1:]``.
    """

    round_: Array
    """(EVEN_COUNT, EVEN_COUNT): of the even shapes' harmonic 0, blurs without a halo."""
    halo: Array
    """The same for blurs with a halo."""
    halo_discriminant: Array
    """(EVEN_COUNT,): weights of the even shapes in the sum that separates halos from other blurs; the sum's mean square
    is 1 among halos. (Fisher's linear discriminant, 1936; from memory.)"""
    odd: Array
    """(2 ODD_COUNT, 2 ODD_COUNT): odd shapes, harmonic 1, then harmonic 3."""
    width_variance: Array
    """(4,): of astigmatic blurs the mean squares of the width's harmonic 2 and of the residual of its harmonic 4; then
    those of the residuals of both of comatic blurs, divided by the first odd shape, because their ratio to its square
    varies tenfold with pixel and diffraction."""
    width_4_of_square: float
    """Harmonic 4 of the width over the square of its harmonic 2."""
    width_2_kurtosis: float
    """Mean fourth power of the width's harmonic 2 over the square of its mean square."""
    odd_1_square: float
    """Mean square of the first odd shape of comatic blurs."""
    even_2: Array
    """(2, 1 + EVEN_COUNT, EVEN_COUNT): the even shapes' harmonic 2, regressed on the width's and its cube."""
    even_4: Array
    """The same for harmonic 4, regressed on the width's and on the square of the width's harmonic 2."""
    even_2_of_odd: Array
    """(1 + EVEN_COUNT, EVEN_COUNT): the residual of `even_2`, regressed on the square of the first odd shape."""
    width_2_of_odd: Array
    """(1 + EVEN_COUNT,): harmonic 2 of the width, regressed on the same."""
    residual: Array
    """(4, EVEN_COUNT, EVEN_COUNT): residual covariance of the even shapes, harmonics 2 and 4, at the family's mean
    astigmatism, then at its mean coma."""


class _Amounts(NamedTuple):
    """Coefficients of each member: (members,) or (members, shapes)."""

    width_2: Array
    width_4: Array
    even_0: Array
    even_2: Array
    even_4: Array
    odd_1: Array
    odd_3: Array


@cache
def family_moments() -> FamilyMoments:
    """Return the moments of the family; computed once in a process."""
    members = family()
    astigmatic, comatic = _amounts(members.astigmatic), _amounts(members.comatic)
    kinds = (astigmatic, _amounts(members.stretched), _amounts(members.hazy))
    both = _Amounts(*(np.concatenate(parts) for parts in zip(*kinds, strict=True)))
    # how much widths differ by direction: the hazy members only show what that does to the shapes
    width_2 = np.concatenate([kind.width_2 for kind in kinds[:2]])
    round_, halo = _moments(_round_amounts(members.plain)), _moments(_round_amounts(members.halos))
    of_square = _width_4_of_square(both.width_2, both.width_4)
    even_2, residual_2 = _regress(_even_2_predictors(both), both.even_0, both.even_2)
    even_4, residual_4 = _regress(_even_4_predictors(both), both.even_0, both.even_4)
    square = comatic.odd_1[:, :1] ** 2
    size = np.sqrt(square / square.mean())
    width_of_odd, residual_width = _regress(square / size, comatic.even_0, comatic.width_2[:, None] / size)
    rest = _residual(_even_2_predictors(comatic), comatic.even_0, comatic.even_2, even_2)
    of_odd, comatic_2 = _regress(square / size, comatic.even_0, rest / size)
    comatic_4 = _residual(_even_4_predictors(comatic), comatic.even_0, comatic.even_4, even_4) / size
    residuals = (residual_2, residual_4, comatic_2, comatic_4)
    widths = (
        width_2,
        _width_4_residual(astigmatic, of_square),
        _RESIDUAL_FACTOR * residual_width,
        _width_4_residual(comatic, of_square) / size[:, 0],
    )
    return FamilyMoments(
        round_=round_,
        halo=halo,
        halo_discriminant=_halo_discriminant(round_, halo, _round_amounts(members.halos).mean(axis=0)),
        odd=_moments(np.hstack([comatic.odd_1, comatic.odd_3])),
        width_variance=np.array([(each**2).mean() for each in widths]),
        width_4_of_square=of_square,
        width_2_kurtosis=float((width_2**4).mean() / (width_2**2).mean() ** 2),
        odd_1_square=float(square.mean()),
        even_2=even_2,
        even_4=even_4,
        even_2_of_odd=of_odd[0],
        width_2_of_odd=np.ascontiguousarray(width_of_odd[0, :, 0]),
        residual=_RESIDUAL_FACTOR**2 * np.stack([_moments(each) for each in residuals]),
    )


def _halo_discriminant(round_: Array, halo: Array, mean: Array) -> Array:
    weight = np.linalg.solve(round_, mean)
    return np.asarray(weight / np.sqrt(weight @ halo @ weight))


def _width_4_residual(members: _Amounts, of_square: float) -> Array:
    """Return the residual of the width's harmonic 4, (members,)."""
    return members.width_4 - of_square * members.width_2**2


def _width_4_of_square(width_2: Array, width_4: Array) -> float:
    """Return harmonic 4 of the width over the square of its harmonic 2, as a weighted median.

    Blurs between two foci are outliers. The median minimises the sum of absolute residuals over the width's harmonic 2.
    """
    size = np.abs(width_2)
    ratio = np.divide(width_4, width_2**2, out=np.zeros_like(width_4), where=size > 0)
    order = np.argsort(ratio)
    weight = np.cumsum(size[order])
    return float(ratio[order][np.searchsorted(weight, weight[-1] / 2)])


def _even_2_predictors(members: _Amounts) -> Array:
    return np.column_stack([members.width_2, members.width_2**3])


def _even_4_predictors(members: _Amounts) -> Array:
    return np.column_stack([members.width_4, members.width_2**2])


def _residual(predictors: Array, even_0: Array, target: Array, coefficients: Array) -> Array:
    """Return the residual of coefficients (members, coefficients) on predictors (members, predictors)."""
    return np.asarray(target - _products(predictors, even_0) @ coefficients.reshape(-1, target.shape[1]))


def _products(predictors: Array, even_0: Array) -> Array:
    """Return each predictor times one and times each harmonic 0: (members, predictors * (1 + EVEN_COUNT))."""
    factors = np.column_stack([np.ones(len(even_0)), even_0])
    return np.asarray((predictors[:, :, None] * factors[:, None, :]).reshape(len(predictors), -1))


def _regress(predictors: Array, even_0: Array, target: Array) -> tuple[Array, Array]:
    """Fit a ridge regression; return its coefficients, (predictors, 1 + EVEN_COUNT, targets), and the residuals.

    The family's harmonics 0 are collinear. Without the ridge there would be large coefficients of opposite sign, and
    wrong predictions for other round blurs (halos).
    """
    basis = _products(predictors, even_0)
    coefficients = np.asarray(np.linalg.solve(_ridged(basis.T @ basis), basis.T @ target), np.float64)
    coefficients = coefficients.reshape(predictors.shape[1], 1 + EVEN_COUNT, -1)
    return coefficients, _residual(predictors, even_0, target, coefficients)


def _round_amounts(samples: Samples) -> Array:
    transfer = edge_shapes().transfer
    return _least_squares(samples.transfer.real - transfer[0], transfer[1 : 1 + EVEN_COUNT], sine_profile)


def _amounts(samples: Samples) -> _Amounts:
    """Return the harmonics of the members' coefficients over direction; widths are relative to the mean width."""
    transfer = edge_shapes().transfer
    even = _round_amounts(samples)
    odd = _least_squares(samples.transfer.imag, transfer[1 + EVEN_COUNT :], cosine_profile)
    width = samples.width / _harmonic(samples.width, 0)[:, None]
    return _Amounts(
        width_2=_harmonic(width, 2),
        width_4=_harmonic(width, 4),
        even_0=_harmonic(even, 0),
        even_2=_harmonic(even, 2),
        even_4=_harmonic(even, 4),
        odd_1=_harmonic(odd, 1),
        odd_3=_harmonic(odd, 3),
    )


def _least_squares(departure: Array, shapes: Array, profile: Callable[[Array], Array]) -> Array:
    """Return the coefficients of shapes that fit departures (..., frequencies) best: (..., shapes)."""
    return np.asarray(profile(departure) @ np.linalg.pinv(profile(shapes)))


def _moments(amounts: Array) -> Array:
    """Return the second moments of amounts (members, amounts) about zero, with the ridge."""
    return _ridged(amounts.T @ amounts / len(amounts))


def _ridged(moments: Array) -> Array:
    """Add the ridge."""
    return np.asarray(moments + _RIDGE**2 * np.diag(np.diag(moments)))


def _harmonic(value: Array, times: int) -> Array:
    """Return the amplitude of cos(times * direction) of values (members, directions 0 ... TURNS, ...)."""
    weight = np.full(TURNS + 1, 2.0 if times else 1.0)
    weight[[0, -1]] /= 2
    weight *= np.cos(times * np.pi * np.arange(TURNS + 1) / TURNS) / TURNS
    return np.asarray(np.tensordot(value, weight, axes=([1], [0])))
