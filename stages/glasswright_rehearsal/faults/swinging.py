"""Motion of the image on a shaker during an exposure: sine, sines along two axes, or random."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import brentq

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PATTERNS: Final[Mapping[str, tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]]] = (
    MappingProxyType(
        {
            "sine": (((1.0, 1.0),), ()),
            "fast_sine": (((5.0, 1.0),), ()),
            "two_axes": (((0.9, 1.0),), ((1.3, 0.7),)),
            "random": (
                tuple((frequency, frequency**-1.0) for frequency in (0.4, 0.7, 1.1, 1.6, 2.3)),
                tuple((frequency, frequency**-1.0) for frequency in (0.5, 0.8, 1.2, 1.8, 2.6)),
            ),
        }
    )
)
"""Name -> sines along x and along y: frequency in Hz and relative speed. Random motion is a sum of sines with random
phases for each shot. `fast_sine` reverses within common exposure times."""
POINTS: Final = 24
"""Number of parts of an exposure."""


def draw_path(
    pattern: str, speed_um_s: float, exposure_s: float, generator: np.random.Generator, points: int = POINTS
) -> Array:
    """Return the positions of the image in the middle of each part of the exposure, um from the mean: (points, 2).

    Parameters
    ----------
    speed_um_s
        Root mean square of the image's speed over a long time.
    """
    return np.asarray(draw_paths(pattern, speed_um_s, exposure_s, generator, points, 1)[0])


def draw_paths(
    pattern: str, speed_um_s: float, exposure_s: float, generator: np.random.Generator, points: int, count: int
) -> Array:
    """Return `count` paths with independent phases: (count, points, 2)."""
    time = exposure_s * (np.arange(points) + 0.5) / points
    path = np.zeros((count, points, 2))
    for axis, sines in enumerate(PATTERNS[pattern]):
        for frequency, speed in sines:
            turn = 2 * np.pi * frequency
            phase = generator.uniform(0, 2 * np.pi, (count, 1))
            path[:, :, axis] += speed / turn * np.sin(turn * time + phase)
    share = np.sqrt(sum(speed**2 for sines in PATTERNS[pattern] for _, speed in sines) / 2)
    path *= speed_um_s / share
    return np.asarray(path - path.mean(axis=1, keepdims=True))


def straight_length(path: Array) -> float:
    """Return the length of the uniform straight motion with the same blur: its variance is a twelfth of its square."""
    return float(np.sqrt(12 * path.var(axis=0).sum()))


def median_length(pattern: str, speed_um_s: float, exposure_s: float, draws: int = 400) -> float:
    """Return the median over the phases of the equivalent straight length."""
    paths = draw_paths(pattern, speed_um_s, exposure_s, np.random.default_rng(7), POINTS, draws)
    return float(np.median(np.sqrt(12 * paths.var(axis=1).sum(axis=1))))


def true_benefit(pattern: str, speed_um_s: float, stops: float, length_um: float) -> float:
    """Return the benefit in stops of exposure time at equal blur, for an image slowed by 2^stops.

    It equals `stops` only if blur is proportional to time; reversing motion gains more.
    """

    def log_time(speed: float) -> float:
        def miss(log_exposure: float) -> float:
            return median_length(pattern, speed, float(np.exp(log_exposure))) - length_um

        return float(brentq(miss, np.log(1e-3), np.log(3.0), xtol=1e-4))

    return (log_time(speed_um_s / 2**stops) - log_time(speed_um_s)) / float(np.log(2))
