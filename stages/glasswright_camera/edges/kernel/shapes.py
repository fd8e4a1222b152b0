"""The shapes of blurred edges: the mean edge profile of the family and its principal components.

A lens blurs an edge by diffraction, defocus, spherical aberration, coma, astigmatism and scatter, a pixel by its own
width. Scaled to the same 50 % frequency, all these edge profiles differ little, and a few principal components describe
the differences. They are computed here from the transfer functions of `family`.

This has three uses. The components are zero at the 50 % frequency, so the fitted width alone determines MTF50. The
tails (an edge blurred by diffraction approaches its level as 1/distance) are part of the shapes, so no window cuts them
off. The covariance of the family's members is the prior covariance.

Lengths are in units of 1/MTF50 (u = distance times MTF50), frequencies in units of MTF50.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edges.kernel.family import FREQUENCY, FREQUENCY_STEP, TURNS, family

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Profile = Callable[[Array], Array]

EVEN_COUNT: Final = 5
ODD_COUNT: Final = 3
"""Principal components kept. With five even ones an exact edge without noise reads within 0.1 %
(`tests/stages/test_edge_parts.py`)."""
SECOND_DERIVATIVE: Final = 1 + EVEN_COUNT + ODD_COUNT
"""Column of the table that holds the mean profile's second derivative."""
HALO_WEIGHT: Final = 5
"""Weight of each halo among the members: a list of aberrations has little haze, old lenses often have it. With half as
much small discs are inside the stated interval in up to 7 % fewer draws, and twice as much gains nothing (`ci/bench
ablation --settings`)."""
REACH: Final = 6.0
STEP: Final = 0.005
"""Reach and step of the table, in 1/MTF50. The step is 0.03 of a Gaussian's sigma, fine enough for linear
interpolation."""
FITTED_REACH: Final = 4.0
"""Distance from the edge up to which light is fitted, in 1/MTF50: 21 of a Gaussian's sigma. An edge blurred by
diffraction has come within 1 % of the step of its level there."""
GAUSSIAN_SIGMA: Final = math.sqrt(math.log(2) / 2) / math.pi
"""Sigma of a Gaussian in 1/MTF50: 0.18739, from exp(-2 (pi sigma f)^2) = 1/2."""
_COARSE: Final[Array] = np.linspace(-3.0, 3.0, 301)
"""Places at which profiles are compared, in 1/MTF50: three quarters of the fitted range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeShapes:
    """The mean edge profile, its principal components, and their transfer functions.

    `table` has shape (points, 2 + EVEN_COUNT + ODD_COUNT) on ``u = -REACH ... REACH`` in steps of STEP. Its columns are
    the mean profile (0 dark to 1 light); even components, which keep an edge symmetric; odd ones (coma), without shift;
    and the mean profile's second derivative. `transfer` has their transfer functions, all but the last,
    (shapes, frequencies); those of odd components are imaginary. Components are scaled to unit rms over the family.
    """

    table: Array
    frequency: Array
    transfer: Array


@cache
def edge_shapes() -> EdgeShapes:
    """Return the edge shapes; computed once in a process (about a second)."""
    members = family()
    directional = np.concatenate(
        [part.transfer.reshape(-1, len(FREQUENCY)) for part in (members.astigmatic, members.comatic)]
    )
    halos = np.repeat(members.halos.transfer, HALO_WEIGHT, axis=0)
    pool = np.concatenate([members.plain.transfer, halos, directional[:: TURNS // 2]])
    mean = pool.real.mean(axis=0)
    even = _principal(pool.real - mean, sine_profile, EVEN_COUNT)
    comatic = members.comatic.transfer[:, : TURNS // 2].reshape(-1, len(FREQUENCY))
    odd = _principal(comatic.imag, cosine_profile, ODD_COUNT)
    transfer = np.vstack([mean, even, odd])
    place = np.linspace(-REACH, REACH, 2 * round(REACH / STEP) + 1)
    profile = 0.5 + sine_profile(mean, place)
    curvature = np.gradient(np.gradient(profile, STEP), STEP)
    table = np.column_stack([profile, sine_profile(even, place).T, cosine_profile(odd, place).T, curvature])
    return EdgeShapes(table=np.ascontiguousarray(table), frequency=FREQUENCY, transfer=transfer)


def sine_profile(real: Array, place: Array = _COARSE) -> Array:
    """Return the symmetric part of edge profiles from real transfer functions (..., frequencies)."""
    phase = np.sin(2 * np.pi * np.outer(FREQUENCY, place))
    return np.asarray((real * (FREQUENCY_STEP / (np.pi * FREQUENCY))) @ phase)


def cosine_profile(imaginary: Array, place: Array = _COARSE) -> Array:
    """Return the odd part of edge profiles from imaginary parts (..., frequencies)."""
    phase = np.cos(2 * np.pi * np.outer(FREQUENCY, place))
    return np.asarray((imaginary * (FREQUENCY_STEP / (np.pi * FREQUENCY))) @ phase)


def _principal(departure: Array, profile: Profile, count: int) -> Array:
    """Return the transfer functions of the principal components, each scaled to unit rms: (count, frequencies)."""
    left, value, _ = np.linalg.svd(profile(departure), full_matrices=False)
    amount = left[:, :count] * value[:count]
    amount = amount / np.sqrt((amount**2).mean(axis=0))
    shapes = np.linalg.pinv(amount) @ departure
    # the sign of an odd component is that of its far tail
    return np.asarray(shapes * np.where(shapes.sum(axis=1, keepdims=True) >= 0, 1.0, -1.0))
