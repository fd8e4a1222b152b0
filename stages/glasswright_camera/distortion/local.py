"""Local distortion: each disc's measured place against that of the ideal lattice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright_camera.chart.model import differentiate_model, pack, project, unpack
from glasswright_camera.chart.pose import to_lattice
from glasswright_camera.distortion.numbers import average_by_node, differentiate, measure_spread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.distortion.fit import TraceFit
    from glasswright_camera.distortion.numbers import Bench

LEAST_HEIGHT = 0.15
"""Image height below which the ratio of heights is not used: 0.01 pixel of 3600 is 0.002 % here, and diverges nearer to
the centre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Local:
    """Local distortion of every disc, averaged over the shots."""

    node: NDArray[np.int64]
    height_frac: NDArray[np.float64]
    local_pct: NDArray[np.float64]
    off: NDArray[np.float64]
    worst_pct: float
    worst_pct_u: float
    worst_height_frac: float


def measure_local(fits: Sequence[TraceFit], bench: Bench) -> Local:
    """Return each disc's measured image height against its ideal height, which is that of the fit's plane part."""
    heights, locals_, nodes = [], [], [fit.node for fit in fits]
    for fit in fits:
        ideal = np.hypot(*project(fit.model.plane, fit.lattice).T)
        with np.errstate(divide="ignore", invalid="ignore"):
            local = 100 * (np.hypot(*fit.observed.T) - ideal) / ideal
        heights.append(ideal)
        locals_.append(np.where(ideal >= LEAST_HEIGHT, local, np.nan))
    node, height = average_by_node(nodes, heights)
    local = average_by_node(nodes, locals_)[1]
    worst = int(np.nanargmax(np.abs(local)))
    return Local(
        node=node,
        height_frac=height,
        local_pct=local,
        off=average_by_node(nodes, [fit.off for fit in fits])[1],
        worst_pct=float(local[worst]),
        worst_pct_u=_measure_u(fits, bench, node[worst], float(height[worst])),
        worst_height_frac=float(height[worst]),
    )


def _measure_u(fits: Sequence[TraceFit], bench: Bench, node: NDArray[np.int64], height: float) -> float:
    """Return the standard uncertainty of one disc's local distortion, from its centre and its ideal height.

    The two are correlated, since the disc is part of the fit; without the correlation the uncertainty of a corner disc
    would be doubled.
    """
    spread = measure_spread(fits)
    fit = fits[0]
    place = to_lattice(node, bench.layout)  # a height changes the uncertainty by a thousandth of itself
    parameters = pack(fit.model.plane, fit.model.distortion)

    def ideal(at: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array([np.hypot(*project(unpack(at, bench.radial_terms)[0], place))])

    slope = differentiate(ideal, parameters)[0]
    outwards = fit.model.place(place)
    outwards = outwards / np.hypot(*outwards)
    own = outwards @ differentiate_model(parameters, place[None], bench.radial_terms)
    unit = 1.0 + float(slope @ fit.model.covariance @ slope) - 2.0 * float(slope @ fit.model.covariance @ own)
    return float(100 / height * np.sqrt(unit * (spread.noise**2 / len(fits) + spread.common**2)))
