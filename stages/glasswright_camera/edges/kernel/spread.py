"""How the amounts of `shapes` are spread in the family of blurs, and which of them follow which.

Blur that depends on direction does so in few ways. Where astigmatism changes the width as cos 2a, the shape follows,
and how much it does depends on what shape there is to begin with: a stretched Gaussian stays one, a defocused pupil
does not. (The pupil's defocus and astigmatism enter what turns as cos 2a as their product, by odd powers; so the cube
of the width leads as well.) What turns as cos 4a is little, about a share of the square of what turns as cos 2a, unless
the two foci lie on either side of the sensor; shapes follow both that square and the width in 4a. Coma stretches as the
square of its own amount, widths and shapes. So each amount that turns is expected near a product of others, and only
what is left of it is spread.
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

_ROUNDING: Final = 0.1
"""Spread added to each amount, of its own: the family is a sample."""
_LEEWAY: Final = 2.0
"""What followers leave is spread so many times as wide as in the family: lenses are not made of its members, and the
amounts that are followed are measured ones."""


class EdgeSpread(NamedTuple):
    """Second moments of amounts, and the coefficients of what follows; a named tuple, as compiled code reads it.

    An amount that follows is the sum over leaders of each times ``coefficients[0] + round amounts @ coefficients[1:]``.
    """

    rounds: Array
    """(EVEN_COUNT, EVEN_COUNT): shapes, mean over directions, of blurs without a halo."""
    halos: Array
    """(EVEN_COUNT, EVEN_COUNT): the same of halos, which lie far from all others."""
    halo_sign: Array
    """(EVEN_COUNT,): a halo shows in the sum of amounts times this, whose mean square is 1 among halos. (Fisher's
    linear discriminant, 1936; from memory.)"""
    comatic: Array
    """(2 ODD_COUNT, 2 ODD_COUNT): lopsided amounts in a, then in 3a."""
    widths: Array
    """(4,): mean square of the width in 2a and in 4a of astigmatic blurs, then of comatic ones; of what `coma_width`
    and `squared` leave. Where blur is comatic, what is left varies as the first lopsided amount, and is weighed by it:
    the ratio to its square differs tenfold with pixel and diffraction."""
    squared: float
    """Width in 4a over the square of that in 2a."""
    fourth: float
    """Mean fourth power of the width in 2a over the square of its mean square."""
    lopsided: float
    """Mean square of the first lopsided amount of comatic blurs."""
    twice: Array
    """(2, 1 + EVEN_COUNT, EVEN_COUNT): shapes in 2a; they follow the width in 2a and its cube."""
    four_times: Array
    """The same: shapes in 4a; they follow the width in 4a and the square of that in 2a."""
    coma: Array
    """(1 + EVEN_COUNT, EVEN_COUNT): what is left of shapes in 2a follows the square of the first lopsided amount."""
    coma_width: Array
    """(1 + EVEN_COUNT,): so does the width in 2a."""
    left: Array
    """(4, EVEN_COUNT, EVEN_COUNT): what is left of shapes in 2a and in 4a where blur is as astigmatic as the family's
    is on the average, then where it is as comatic."""


class _Amounts(NamedTuple):
    """Of each member: (members,) or (members, shapes)."""

    width_2: Array
    width_4: Array
    even_0: Array
    even_2: Array
    even_4: Array
    odd_1: Array
    odd_3: Array


@cache
def edge_spread() -> EdgeSpread:
    """Give the spread of the family; computed once in a process."""
    members = family()
    bent, stretched, comatic = _amounts(members.astigmatic), _amounts(members.stretched), _amounts(members.comatic)
    both = _Amounts(*(np.concatenate(pair) for pair in zip(bent, stretched, strict=True)))
    rounds, halos = _moments(_round_amounts(members.plain)), _moments(_round_amounts(members.halos))
    squared = _squared(both.width_2, both.width_4)
    twice, left_twice = _follow(_twice_leaders(both), both.even_0, both.even_2)
    four_times, left_four_times = _follow(_four_times_leaders(both), both.even_0, both.even_4)
    square = comatic.odd_1[:, :1] ** 2
    size = np.sqrt(square / square.mean())
    coma_width, left_width = _follow(square / size, comatic.even_0, comatic.width_2[:, None] / size)
    rest = _rest(_twice_leaders(comatic), comatic.even_0, comatic.even_2, twice)
    coma, coma_left_twice = _follow(square / size, comatic.even_0, rest / size)
    coma_left_four_times = _rest(_four_times_leaders(comatic), comatic.even_0, comatic.even_4, four_times) / size
    left = (left_twice, left_four_times, coma_left_twice, coma_left_four_times)
    widths = (both.width_2, _beside(bent, squared), _LEEWAY * left_width, _beside(comatic, squared) / size[:, 0])
    return EdgeSpread(
        rounds=rounds,
        halos=halos,
        halo_sign=_halo_sign(rounds, halos, _round_amounts(members.halos).mean(axis=0)),
        comatic=_moments(np.hstack([comatic.odd_1, comatic.odd_3])),
        widths=np.array([(each**2).mean() for each in widths]),
        squared=squared,
        fourth=float((both.width_2**4).mean() / (both.width_2**2).mean() ** 2),
        lopsided=float(square.mean()),
        twice=twice,
        four_times=four_times,
        coma=coma[0],
        coma_width=np.ascontiguousarray(coma_width[0, :, 0]),
        left=_LEEWAY**2 * np.stack([_moments(each) for each in left]),
    )


def _halo_sign(rounds: Array, halos: Array, mean: Array) -> Array:
    sign = np.linalg.solve(rounds, mean)
    return np.asarray(sign / np.sqrt(sign @ halos @ sign))


def _beside(members: _Amounts, squared: float) -> Array:
    """Give what is left of the width in 4a, (members,)."""
    return members.width_4 - squared * members.width_2**2


def _squared(width_2: Array, width_4: Array) -> float:
    """Give how the width in 4a follows the square of that in 2a: a median, as those between two foci go their own way.

    It makes the sum of what is left over the width in 2a least.
    """
    size = np.abs(width_2)
    ratio = np.divide(width_4, width_2**2, out=np.zeros_like(width_4), where=size > 0)
    order = np.argsort(ratio)
    weight = np.cumsum(size[order])
    return float(ratio[order][np.searchsorted(weight, weight[-1] / 2)])


def _twice_leaders(members: _Amounts) -> Array:
    return np.column_stack([members.width_2, members.width_2**3])


def _four_times_leaders(members: _Amounts) -> Array:
    return np.column_stack([members.width_4, members.width_2**2])


def _rest(leaders: Array, even_0: Array, follower: Array, coefficients: Array) -> Array:
    """Give what is left of amounts (members, amounts) that follow leaders (members, leaders)."""
    return np.asarray(follower - _products(leaders, even_0) @ coefficients.reshape(-1, follower.shape[1]))


def _products(leaders: Array, even_0: Array) -> Array:
    """Give each leader times one and times each round amount: (members, leaders * (1 + EVEN_COUNT))."""
    factors = np.column_stack([np.ones(len(even_0)), even_0])
    return np.asarray((leaders[:, :, None] * factors[:, None, :]).reshape(len(leaders), -1))


def _follow(leaders: Array, even_0: Array, follower: Array) -> tuple[Array, Array]:
    """Fit the coefficients, (leaders, 1 + EVEN_COUNT, amounts), by least squares; give them and what is left.

    The round amounts of the family depend on each other; without some rounding of each, coefficients of opposite sign
    would grow that other round blurs (halos) do not follow at all.
    """
    basis = _products(leaders, even_0)
    coefficients = np.asarray(np.linalg.solve(_rounded(basis.T @ basis), basis.T @ follower), np.float64)
    coefficients = coefficients.reshape(leaders.shape[1], 1 + EVEN_COUNT, -1)
    return coefficients, _rest(leaders, even_0, follower, coefficients)


def _round_amounts(samples: Samples) -> Array:
    transfer = edge_shapes().transfer
    return _least_squares(samples.transfer.real - transfer[0], transfer[1 : 1 + EVEN_COUNT], sine_profile)


def _amounts(samples: Samples) -> _Amounts:
    """Split the amounts of members by direction into harmonics; widths are of the mean one."""
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
    """Give how much of each shape is in each departure (..., frequencies): (..., shapes)."""
    return np.asarray(profile(departure) @ np.linalg.pinv(profile(shapes)))


def _moments(amounts: Array) -> Array:
    """Give the second moments of amounts (members, amounts) about zero, a little rounded."""
    return _rounded(amounts.T @ amounts / len(amounts))


def _rounded(moments: Array) -> Array:
    """Add to each amount a share of its spread, of its own."""
    return np.asarray(moments + _ROUNDING**2 * np.diag(np.diag(moments)))


def _harmonic(value: Array, times: int) -> Array:
    """Give the amplitude of cos(times * direction) of values (members, directions 0 ... TURNS, ...)."""
    weight = np.full(TURNS + 1, 2.0 if times else 1.0)
    weight[[0, -1]] /= 2
    weight *= np.cos(times * np.pi * np.arange(TURNS + 1) / TURNS) / TURNS
    return np.asarray(np.tensordot(value, weight, axes=([1], [0])))
