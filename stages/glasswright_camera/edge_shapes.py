"""The shapes a blurred edge can take, whatever its width.

A lens blurs an edge by diffraction, defocus, spherical aberration, coma, astigmatism and scatter, a pixel by its own
width. Scaled so that each has its 50 % point at one frequency, the edge profiles of all of them differ little, and the
differences have few independent directions. These are found here, from physics alone: the transfer functions of the
blurs of `edge_family` are turned into edge profiles, and their principal components taken.

Three things follow. The components vanish at the 50 % frequency, so that in a fit of *width + shape* the width alone
carries MTF50, unbiased by the shape. The tails (an edge blurred by diffraction reaches its level as slowly as
1/distance) are part of the shapes, so that none of them is cut off by a window. And how the family's members are
spread says what to expect where the data are poor.

Lengths are in units of 1/MTF50 (u = distance times MTF50), frequencies in units of MTF50.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edge_family import (
    FREQUENCY,
    FREQUENCY_STEP,
    TURNS,
    Samples,
    astigmatic_wavefronts,
    comatic_wavefronts,
    sample_round,
    sample_turning,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Profile = Callable[[Array], Array]

EVEN_COUNT: Final = 5
ODD_COUNT: Final = 3
REACH: Final = 6.0
STEP: Final = 0.005
FITTED_REACH: Final = 4.0
_COARSE: Final[Array] = np.linspace(-3.0, 3.0, 301)
"""Where profiles are compared; three quarters of what is fitted."""
_ROUNDING: Final = 0.1
"""Spread added to each amount, of its own: the family is a sample."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeShapes:
    """The mean edge profile, its principal departures, their transfer functions, and how amounts are spread.

    `table` has shape (points, 1 + EVEN_COUNT + ODD_COUNT) on ``u = -REACH ... REACH`` in steps of STEP: the mean
    profile (0 dark to 1 light), departures that keep an edge symmetric, and some that make it lopsided (coma), free of
    any shift. `transfer` is the same in frequencies, (shapes, frequencies), imaginary for the lopsided ones.

    The covariances are of amounts scaled to unit spread: `round_spread` (EVEN_COUNT,)^2 of the mean over directions;
    `astigmatic_spread` of what turns with twice and four times the direction, in the order width 2, width 4 (of the
    mean width), shapes 2, shapes 4; `comatic_spread` of what turns with the direction and three times it, in the order
    lopsided 1, lopsided 3.
    """

    table: Array
    frequency: Array
    transfer: Array
    round_spread: Array
    astigmatic_spread: Array
    comatic_spread: Array


@cache
def edge_shapes() -> EdgeShapes:
    """Give the edge shapes; computed once in a process (about a second)."""
    plain, stretched, lopsided = (
        sample_round(),
        sample_turning(astigmatic_wavefronts()),
        sample_turning(comatic_wavefronts()),
    )
    turning = np.concatenate([s.transfer.reshape(-1, len(FREQUENCY)) for s in (stretched, lopsided)])
    pool = np.concatenate([plain.transfer, turning[:: TURNS // 2]])
    mean = pool.real.mean(axis=0)
    even = _principal(pool.real - mean, _sine_profile, EVEN_COUNT)
    comatic = lopsided.transfer[:, : TURNS // 2].reshape(-1, len(FREQUENCY))
    odd = _principal(comatic.imag, _cosine_profile, ODD_COUNT)
    transfer = np.vstack([mean, even, odd])
    place = np.linspace(-REACH, REACH, 2 * round(REACH / STEP) + 1)
    table = np.column_stack(
        [0.5 + _sine_profile(mean, place), _sine_profile(even, place).T, _cosine_profile(odd, place).T]
    )
    return EdgeShapes(
        table=np.ascontiguousarray(table),
        frequency=FREQUENCY,
        transfer=transfer,
        round_spread=_covariance(_amounts(plain.transfer.real - mean, even, _sine_profile)),
        astigmatic_spread=_astigmatic((stretched, lopsided), mean, even),
        comatic_spread=_comatic(lopsided, odd),
    )


def _sine_profile(real: Array, place: Array = _COARSE) -> Array:
    """Give the symmetric part of edge profiles from real transfer functions (..., frequencies)."""
    phase = np.sin(2 * np.pi * np.outer(FREQUENCY, place))
    return np.asarray((real * (FREQUENCY_STEP / (np.pi * FREQUENCY))) @ phase)


def _cosine_profile(imaginary: Array, place: Array = _COARSE) -> Array:
    """Give the lopsided part of edge profiles from imaginary parts (..., frequencies)."""
    phase = np.cos(2 * np.pi * np.outer(FREQUENCY, place))
    return np.asarray((imaginary * (FREQUENCY_STEP / (np.pi * FREQUENCY))) @ phase)


def _principal(departure: Array, profile: Profile, count: int) -> Array:
    """Give the transfer functions of the principal departures, each scaled to unit spread: (count, frequencies)."""
    left, value, _ = np.linalg.svd(profile(departure), full_matrices=False)
    amount = left[:, :count] * value[:count]
    amount = amount / np.sqrt((amount**2).mean(axis=0))
    shapes = np.linalg.pinv(amount) @ departure
    # a lopsided edge's sign is that of its far tail
    return np.asarray(shapes * np.where(shapes.sum(axis=1, keepdims=True) >= 0, 1.0, -1.0))


def _amounts(departure: Array, shapes: Array, profile: Profile) -> Array:
    """Give how much of each shape is in each departure (..., frequencies): (..., shapes), least squares."""
    return np.asarray(profile(departure) @ np.linalg.pinv(profile(shapes)))


def _covariance(amounts: Array) -> Array:
    """Give the second moments of amounts (members, amounts) about zero, a little rounded."""
    moments = amounts.T @ amounts / len(amounts)
    return np.asarray(moments + _ROUNDING**2 * np.diag(np.diag(moments)))


def _harmonic(value: Array, times: int) -> Array:
    """Give the amplitude of cos(times * direction) of values (members, directions 0 ... TURNS, ...)."""
    weight = np.full(TURNS + 1, 2.0 if times else 1.0)
    weight[[0, -1]] /= 2
    weight *= np.cos(times * np.pi * np.arange(TURNS + 1) / TURNS) / TURNS
    return np.asarray(np.tensordot(value, weight, axes=([1], [0])))


def _astigmatic(parts: tuple[Samples, ...], mean: Array, even: Array) -> Array:
    rows = []
    for samples in parts:
        shape = _amounts(samples.transfer.real - mean, even, _sine_profile)
        width = samples.width / _harmonic(samples.width, 0)[:, None]
        rows.append(np.hstack([_harmonic(width, k)[:, None] for k in (2, 4)] + [_harmonic(shape, k) for k in (2, 4)]))
    return _covariance(np.vstack(rows))


def _comatic(samples: Samples, odd: Array) -> Array:
    shape = _amounts(samples.transfer.imag, odd, _cosine_profile)
    return _covariance(np.hstack([_harmonic(shape, 1), _harmonic(shape, 3)]))
