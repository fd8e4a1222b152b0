"""Best focus by colour, from a ramp's traces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.focus.depth import axial_mm, axial_sensitivity, board_mm, sensor_shift_um
from glasswright_camera.focus.fit import Vertex, find_vertex
from glasswright_camera.robust import MEDIAN_U

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.ramp import RampTrace

    Array = NDArray[np.float64]

LEAST_ROW_DISCS = 3
"""The fewest of which a median leaves out one that is odd."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """The part of the setting that converts millimetres at the board to depths of focus."""

    focal_length_mm: float
    f_number: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Best focus in one plane of one shot, at the board along the axis and at the sensor."""

    axial_mm: float
    axial_mm_u: float
    """From pixel noise only."""
    shift_um: float
    shift_um_u: float
    """From pixel noise only."""
    angle_u_frac: float
    """Relative standard uncertainty of both distances from the board's angle, common to all shots."""
    kept: float
    """MTF50 at the focusing band over that at best focus."""
    kept_u: float
    vertex: Vertex
    """The curve fitted over distances at the sensor."""


def read_setting(trace: RampTrace) -> Lens:
    """Return focal length and f-number.

    Raises
    ------
    Unmeasurable
        Where either is unknown.
    """
    setting = trace.setting
    if setting is None or setting.focal_length_mm is None or setting.f_number is None:
        raise Unmeasurable(
            f"focal length or f-number of {trace.shot} is unknown (found {setting}): "
            "give them under `shots` of the ticket"
        )
    return Lens(focal_length_mm=setting.focal_length_mm, f_number=setting.f_number)


def main_plane(trace: RampTrace) -> int:
    """Return the index of the main plane: green, or the only one."""
    return trace.planes.index("green") if "green" in trace.planes else 0


def find_focus(trace: RampTrace, plane: int, lens: Lens) -> Found:
    """Find best focus in one plane of a shot.

    The fit is over distances at the sensor, where both sides of the board have the same scale.

    Raises
    ------
    Unmeasurable
        See `find_vertex`.
    """
    along, blur, blur_u = average_rows(trace, plane)
    m = trace.magnification_frac
    axial = np.array([axial_mm(float(v), trace.angle_deg) for v in along])
    shift = sensor_shift_um(axial, lens.focal_length_mm, m)
    vertex = find_vertex(shift, blur, blur_u, trace.planes[plane])
    at_board = board_mm(vertex.place, lens.focal_length_mm, m)
    widening = 1 / (1000 * m**2) * (1 + at_board * m / lens.focal_length_mm) ** 2
    kept, kept_u = vertex.kept_at(0.0)
    return Found(
        kept=kept,
        kept_u=kept_u,
        vertex=vertex,
        axial_mm=at_board,
        axial_mm_u=vertex.place_u * widening,
        shift_um=vertex.place,
        shift_um_u=vertex.place_u,
        angle_u_frac=abs(axial_sensitivity(trace.angle_deg)) * float(np.radians(trace.angle_deg_u)),
    )


def average_rows(trace: RampTrace, plane: int) -> tuple[Array, Array, Array]:
    """Return place along the board, blur and its uncertainty of each row: median 1/MTF50^2 over discs and directions.

    Rows with fewer than three measured discs are left out.
    """
    value, value_u = trace.mtf50[plane], trace.mtf50_u[plane]
    good = np.isfinite(value).all(axis=1) & np.isfinite(value_u).all(axis=1)
    blur = (1 / value**2).mean(axis=1)
    blur_u = np.sqrt(((2 * value_u / value**3) ** 2).sum(axis=1)) / 2
    rows = []
    for place in np.unique(trace.along_mm):
        inside = good & (trace.along_mm == place)
        if inside.sum() >= LEAST_ROW_DISCS:
            spread_u = np.sqrt((blur_u[inside] ** 2).sum()) / inside.sum()
            rows.append((place, np.median(blur[inside]), MEDIAN_U * spread_u))
    table = np.array(rows).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]
