"""The movement in a shot on the shaker, from its blur and that of the lens at rest.

Transfer functions of independent blurs multiply. Along one direction an even straight movement whose projection has the
length l has the transfer sinc(l f) (closed form). The MTF50 f of a shaken shot is therefore where sinc(l f) times the
transfer of the lens at rest is a half, which gives l. The squares of l along two perpendicular directions add up to the
square of the movement's length.

A movement that is not even has the length of the even one with the same variance. Sines and random movements up to half
a period blur as that one does within 2 % of the length (`tests/stages/stabiliser`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.interpolate import CubicSpline

from glasswright import Unmeasurable, format_count
from glasswright_camera.edges.kernel.shapes import GAUSSIAN_SIGMA
from glasswright_camera.edges.repeats import main_plane
from glasswright_camera.robust import MEDIAN_U, robust_sigma

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]

LEAST_DISCS: Final = 6
"""Chosen: a median of fewer may be that of one corner."""
_LENGTH: Final[Array] = np.linspace(0.0, 1.0, 2001)
_SINC: Final[Array] = np.sinc(_LENGTH)
"""Transfer of an even movement, by its length times the frequency, up to its first zero."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """The blur of one disc with the lens at rest; sagittal, then tangential."""

    mtf50: Array
    """(2,): cycles per pixel."""
    mtf50_u: Array
    """(2,): standard uncertainty."""
    transfer: CubicSpline
    """Frequency in cycles per pixel -> transfer functions: (2,)."""

    def transfer_at(self, frequency: Array, stretch: Array | float = 1.0) -> Array:
        """Return the transfer at the frequency of each direction, or that of a lens sharper by `stretch`: (2,)."""
        return np.asarray(np.diagonal(self.transfer(frequency / stretch)))

    def find_square(self, frequency: Array, stretch: Array | float = 1.0) -> Array:
        """Return the squares of the movement's projections from the MTF50 of a shaken shot: (2,), square pixels.

        They are negative for a shot that is sharper than the lens at rest.
        """
        # a half, read from the same table as the rest
        left = self.transfer_at(self.mtf50) / self.transfer_at(frequency, stretch)
        # near 1 the transfer is 1 - (pi l f)^2 / 6
        square = np.where(left < 1, np.interp(-left, -_SINC, _LENGTH) ** 2, 6 * (1 - left) / np.pi**2)
        return np.asarray(square / frequency**2)


def average_rest(traces: Sequence[Trace]) -> dict[tuple[int, int], Rest]:
    """Return the blur of the lens at rest, a mean over several shots, of each disc that all of them measured."""
    shared = set.intersection(*(set(find_discs(trace)) for trace in traces))
    rest = {}
    for node in sorted(shared):
        each = [(trace, main_plane(trace), find_discs(trace)[node]) for trace in traces]
        mtf50, u = (
            np.array([getattr(trace, name)[plane, disc] for trace, plane, disc in each])
            for name in ("mtf50", "mtf50_u")
        )
        transfer = np.mean([trace.mtf[plane, disc] for trace, plane, disc in each], axis=0)
        rest[node] = Rest(
            mtf50=mtf50.mean(axis=0),
            mtf50_u=np.sqrt((u**2).sum(axis=0)) / len(u),
            transfer=CubicSpline(traces[0].frequency, transfer, axis=1),
        )
    return rest


def find_discs(trace: Trace) -> dict[tuple[int, int], int]:
    """Return the discs whose sharpness is known in the main plane: node -> place in the trace's arrays."""
    plane = main_plane(trace)
    good = np.isfinite(trace.mtf50[plane]).all(axis=1) & np.isfinite(trace.mtf50_u[plane]).all(axis=1)
    return {(int(trace.node[disc, 0]), int(trace.node[disc, 1])): int(disc) for disc in np.flatnonzero(good)}


def find_motion(trace: Trace, rest: Mapping[tuple[int, int], Rest]) -> tuple[float, float]:
    """Return the square of the movement's length in a shot, and its standard uncertainty: square pixels.

    The movement is common to all discs; its square is the median over them. It is not limited to positive values, so
    that a shot without movement is not read as one with a little.

    Raises
    ------
    Unmeasurable
        Where too few discs are shared with the shots of the lens at rest.
    """
    plane, here = main_plane(trace), find_discs(trace)
    shared = sorted(set(here) & set(rest))
    if len(shared) < LEAST_DISCS:
        raise Unmeasurable(
            f"{trace.shot} shares only {format_count(len(shared), 'disc')} with the chart shots of the lens at rest"
        )
    square, noise = np.array([_read_disc(rest[node], trace, plane, here[node]) for node in shared]).T
    scatter = max(float(np.sqrt((noise**2).mean())), robust_sigma(square))
    return float(np.median(square)), MEDIAN_U * scatter / float(np.sqrt(len(shared)))


def _read_disc(rest: Rest, trace: Trace, plane: int, disc: int) -> tuple[float, float]:
    """Return the square of the movement's length at one disc, and its standard uncertainty."""
    mtf50, u = trace.mtf50[plane, disc], trace.mtf50_u[plane, disc]
    square = rest.find_square(mtf50)
    by_shot = rest.find_square(mtf50 + u) - square
    by_rest = rest.find_square(mtf50, 1 + rest.mtf50_u / rest.mtf50) - square
    return float(square.sum()), float(np.sqrt((by_shot**2 + by_rest**2).sum()))


def length_of(square: float) -> float:
    """Return the length of a movement from its square; 0 where noise has made that negative."""
    return float(np.sqrt(max(square, 0.0)))


def find_still_blur(rest: Mapping[tuple[int, int], Rest]) -> tuple[float, float]:
    """Return the blur of the lens at rest, as the standard deviation of a Gaussian of the same MTF50 along one axis,
    and its standard uncertainty: pixels. It is the root of the mean variance over discs and directions."""
    half, half_u = (np.array([getattr(each, name) for each in rest.values()]) for name in ("mtf50", "mtf50_u"))
    variance = GAUSSIAN_SIGMA**2 * float((half**-2).mean())
    variance_u = GAUSSIAN_SIGMA**2 * 2 * float(np.sqrt(((half_u / half**3) ** 2).sum())) / half.size
    return float(np.sqrt(variance)), variance_u / float(2 * np.sqrt(variance))
