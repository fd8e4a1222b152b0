"""Size and direction of a vector in the sensor's plane, with their uncertainties."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import ive

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

NO_DIRECTION_DEG: Final = 104.0
"""Standard deviation of an unknown angle, 360 / sqrt(12)."""
NOISE_LENGTH: Final = float(np.sqrt(np.pi / 2))
"""Mean length of a vector of pure noise, of standard deviation 1 in each component."""
FAR: Final = 8.0
"""Length over noise above which subtracting the noise in quadrature is exact enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointer:
    """Size and direction."""

    size: float
    size_u: float
    deg: float
    """From x towards y, 0 to 360."""
    deg_u: float


NOWHERE: Final = Pointer(size=float("nan"), size_u=float("nan"), deg=float("nan"), deg_u=float("nan"))


def point_along(vector: Array, covariance: Array) -> Pointer:
    """Return size and direction of a vector (2,) with covariance (2, 2).

    Noise lengthens vectors: pure noise of u in each component has a mean length of 1.25 u. The size returned is the
    true length at which the mean measured length equals the measured one (S. O. Rice, Bell System Technical Journal 24,
    1945), 0 where the measured length is below that of pure noise."""
    length = float(np.hypot(*vector))
    along = vector / length if length > 0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    aside = float(np.sqrt(across @ covariance @ across))
    turn = np.degrees(aside / length) if length > 0 else NO_DIRECTION_DEG
    along_u = float(np.sqrt(along @ covariance @ along))
    noise = float(np.sqrt(np.trace(covariance) / 2))
    size = true_length(length, noise)
    return Pointer(
        size=size,
        # the length subtracted as noise may be real
        size_u=float(np.hypot(along_u, min(1.8 * (length - size), 1.1 * noise))),
        deg=float(np.degrees(np.arctan2(vector[1], vector[0])) % 360),
        deg_u=float(min(turn, NO_DIRECTION_DEG)),
    )


def true_length(length: float, u: float) -> float:
    """Return the true length of a vector whose mean length with noise `u` in each component is `length`."""
    if not u > 0 or not np.isfinite(length):
        return length
    if length <= NOISE_LENGTH * u:
        return 0.0
    if length > FAR * u:
        return float(np.sqrt(length**2 - u**2))
    return u * float(brentq(lambda share: mean_length(share) - length / u, 0.0, FAR))


def mean_length(share: float) -> float:
    """Return the mean length of a vector of length `share` with noise 1 in each component (Rice distribution)."""
    half = share**2 / 4
    return NOISE_LENGTH * float((1 + 2 * half) * ive(0, half) + 2 * half * ive(1, half))
