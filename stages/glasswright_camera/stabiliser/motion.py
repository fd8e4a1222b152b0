"""The part of a shot's blur that is movement: its blur less that of the lens at rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_count
from glasswright_camera.edges.kernel.shapes import GAUSSIAN_SIGMA
from glasswright_camera.edges.repeats import main_plane
from glasswright_camera.robust import MEDIAN_U, robust_sigma

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]

LEAST_DISCS: Final = 6
"""Chosen: a median of fewer may be that of one corner."""

Blurs = dict[tuple[int, int], "tuple[float, float]"]
"""Node -> variance of the blur summed over both axes, square pixels, and its uncertainty."""


def find_blurs(trace: Trace) -> Blurs:
    """Return each disc's blur as of a Gaussian with the same MTF50, its variances over both axes added."""
    plane = main_plane(trace)
    half, half_u = trace.mtf50[plane], trace.mtf50_u[plane]
    variance = GAUSSIAN_SIGMA**2 * (half**-2).sum(axis=1)
    variance_u = GAUSSIAN_SIGMA**2 * 2 * np.hypot(*(half_u / half**3).T)
    good = np.isfinite(variance) & np.isfinite(variance_u)
    return {
        (int(node[0]), int(node[1])): (float(value), float(u))
        for node, value, u in zip(trace.node[good], variance[good], variance_u[good], strict=True)
    }


def average_blurs(traces: Sequence[Trace]) -> Blurs:
    """Return the mean of several shots' blurs, disc by disc, of the discs that all of them share."""
    each = [find_blurs(trace) for trace in traces]
    shared = set.intersection(*(set(blurs) for blurs in each))
    return {
        node: (
            float(np.mean([blurs[node][0] for blurs in each])),
            float(np.sqrt(np.sum([blurs[node][1] ** 2 for blurs in each]))) / len(each),
        )
        for node in shared
    }


def find_motion(trace: Trace, still: Blurs) -> tuple[float, float]:
    """Return the variance that movement added to a shot's blur, over both axes, and its uncertainty: square pixels.

    The variances of independent blurs add, so the still blur of the same disc is subtracted; the movement is common
    to all discs, and its variance is the median over them.

    Raises
    ------
    Unmeasurable
        Where too few discs are shared with the still shots.
    """
    here = find_blurs(trace)
    shared = sorted(set(here) & set(still))
    if len(shared) < LEAST_DISCS:
        raise Unmeasurable(
            f"{trace.shot} shares only {format_count(len(shared), 'disc')} with the chart shots of the lens at rest"
        )
    added = np.array([here[node][0] - still[node][0] for node in shared])
    noise = float(np.sqrt(np.mean([here[node][1] ** 2 + still[node][1] ** 2 for node in shared])))
    scatter = max(noise, robust_sigma(added))
    return float(np.median(added)), MEDIAN_U * scatter / float(np.sqrt(len(shared)))


def length_of(variance: float) -> float:
    """Return the length of a uniform straight movement of a variance, which is its square over 12."""
    return float(np.sqrt(12 * max(variance, 0.0)))
