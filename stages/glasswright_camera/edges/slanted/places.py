"""Place a chart's straight edges in a frame, from the discs around them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.chart_fit import ChartFit
    from glasswright_camera.stand import ChartLayout, EdgeFeature

    Array = NDArray[np.float64]

NEAREST: Final = 12
"""Number of discs from which a corner is placed."""
TRIMMED: Final = 0.12
"""Share of a side left out at each corner, where the next side blurs it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePlaces:
    """Straight edges on the sensor: arrays over (edges,)."""

    feature: tuple[str, ...]
    middle: Array
    normal: Array
    half_length_px: Array
    inside_px: Array
    outside_px: Array


def place_edges(layout: ChartLayout, fit: ChartFit) -> EdgePlaces:
    """Place every side of every edge feature that lies in the frame."""
    rows = [row for feature in layout.edges for row in _sides(feature, layout, fit)]
    parts = [np.array([row[k] for row in rows]) for k in range(1, 6)]
    return EdgePlaces(
        feature=tuple(row[0] for row in rows),
        middle=parts[0].reshape(-1, 2),
        normal=parts[1].reshape(-1, 2),
        half_length_px=parts[2],
        inside_px=parts[3],
        outside_px=parts[4],
    )


def _sides(
    feature: EdgeFeature, layout: ChartLayout, fit: ChartFit
) -> list[tuple[str, Array, Array, float, float, float]]:
    """Return name, middle, normal, half length, and reach inside and outside of each side of a polygon."""
    corner = to_sensor(np.array(feature.corners_mm), layout, fit)
    heart = corner.mean(axis=0)
    clear = feature.clear_mm * np.sqrt(abs(_size(corner)) / abs(_size(np.array(feature.corners_mm))))
    found = []
    for k in range(len(corner)):
        start, end = corner[k], corner[(k + 1) % len(corner)]
        middle, along = (start + end) / 2, end - start
        length = float(np.linalg.norm(along))
        normal = np.array([along[1], -along[0]]) / length
        depth = float((middle - heart) @ normal)
        if depth < 0:
            normal, depth = -normal, -depth
        inside_frame = (corner >= 0).all() and (corner < [fit.width_px, fit.height_px]).all()
        if inside_frame:
            # 0.9 of the distance to the polygon's middle keeps the far side's blur out
            found.append((feature.name, middle, normal, (0.5 - TRIMMED) * length, 0.9 * depth, float(clear) - 1.0))
    return found


def _size(corner: Array) -> float:
    """Return the signed area of a polygon (shoelace formula)."""
    x, y = corner.T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def to_sensor(place_mm: Array, layout: ChartLayout, fit: ChartFit) -> Array:
    """Return sensor places (points, 2) of print places, each by a quadratic surface through the nearest discs."""
    print_mm = (fit.node - [(layout.columns - 1) / 2, (layout.rows - 1) / 2]) * layout.pitch_mm
    found = np.empty((len(place_mm), 2))
    for k, place in enumerate(place_mm):
        offset = (print_mm - place) / layout.pitch_mm
        near = np.argsort((offset**2).sum(axis=1))[:NEAREST]
        x, y = offset[near].T
        basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
        found[k] = np.linalg.lstsq(basis, fit.centre_px[near], rcond=None)[0][0]
    return found
