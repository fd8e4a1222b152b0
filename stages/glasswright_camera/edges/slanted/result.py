"""Result of tracing straight slanted edges."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SlantedEdges(Artefact):
    """MTF50 across each side of each edge feature: arrays over (planes, edges), NaN where an edge failed.

    An edge gives the blur in one direction, along its normal.
    """

    shot: str
    chart: str
    planes: tuple[str, ...]
    feature: tuple[str, ...]
    """(edges,): name of the edge's feature."""
    middle_px: NDArray[np.float64]
    """(planes, edges, 2): the fitted edge's middle."""
    normal_angle: NDArray[np.float64]
    """(edges,): direction of the normal towards the light on the sensor, radian."""
    radial_angle: NDArray[np.float64]
    """(edges,): angle of the normal from the image radius, radian, 0 to pi/2; at 0 the blur is tangential."""
    mtf50: NDArray[np.float64]
    """(planes, edges): cycles per pixel."""
    mtf50_u: NDArray[np.float64]
    frequency: NDArray[np.float64]
    mtf: NDArray[np.float64]
    """(planes, edges, frequencies)."""
    edge_count: int
    """Edges measured in every plane."""
