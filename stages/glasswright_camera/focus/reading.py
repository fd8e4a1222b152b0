"""Best focus by colour, from a ramp's traces."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.focus.depth import axial_mm, axial_sensitivity, board_mm, sensor_shift_um
from glasswright_camera.focus.fit import Vertex, find_vertex
from glasswright_camera.robust import MEDIAN_U, robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.ramp import RampTrace

    Array = NDArray[np.float64]

GROWTH_ROUNDS: Final = 2
LEAST_ROW_DISCS: Final = 3
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
    """From pixel noise, also that in the growth of the blur."""
    shift_um: float
    shift_um_u: float
    """The same."""
    angle_u_frac: float
    """Relative standard uncertainty of both distances from the board's angle, common to all shots."""
    kept: float
    """MTF50 at the focusing band over that at best focus."""
    kept_u: float
    vertex: Vertex
    """The curve fitted over distances at the sensor."""
    growth: float
    """Of the blur towards the frame's edge, which was subtracted; see `find_growth`."""


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

    The fit is over distances at the sensor, where both sides of the board have the same scale. The growth of the blur
    towards the frame's edge is subtracted, see `find_growth`; its uncertainty is part of the result's.

    Raises
    ------
    Unmeasurable
        See `find_vertex`.
    """
    place = 0.0
    # the growth is read at best focus, and best focus moves with it
    with suppress(Unmeasurable):
        place = _fit_focus(trace, plane, lens, 0.0).axial_mm / axial_mm(1.0, trace.angle_deg)
    for _ in range(GROWTH_ROUNDS):
        growth, growth_u = find_growth(trace, plane, place)
        found = _fit_focus(trace, plane, lens, growth)
        place = found.axial_mm / axial_mm(1.0, trace.angle_deg)
    other = _fit_focus(trace, plane, lens, growth + growth_u)
    return replace(
        found,
        shift_um_u=float(np.hypot(found.shift_um_u, other.shift_um - found.shift_um)),
        axial_mm_u=float(np.hypot(found.axial_mm_u, other.axial_mm - found.axial_mm)),
        kept_u=float(np.hypot(found.kept_u, other.kept - found.kept)),
    )


def _fit_focus(trace: RampTrace, plane: int, lens: Lens, growth: float) -> Found:
    """Find best focus with a known growth of the blur."""
    along, blur, blur_u = average_rows(trace, plane, growth)
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
        growth=growth,
        axial_mm=at_board,
        axial_mm_u=vertex.place_u * widening,
        shift_um=vertex.place,
        shift_um_u=vertex.place_u,
        angle_u_frac=abs(axial_sensitivity(trace.angle_deg)) * float(np.radians(trace.angle_deg_u)),
    )


def find_growth(trace: RampTrace, plane: int, place_mm: float) -> tuple[float, float]:
    """Return by how much the blur (1/MTF50^2) grows with the square of the distance from the board's middle, seen along
    the axis, in square pixels per square millimetre, and its standard uncertainty.

    A lens is softer towards the corners whatever the focus. Along the board that looks like defocus about the middle
    and draws the vertex there: at f/8, where defocus changes the blur little, by a quarter of its distance on a frame
    that the board fills. The discs of a row have the same depth, so their differences show the growth. In a curved
    field they also show a term in proportion to the row's defocus; it is fitted and left out.

    Parameters
    ----------
    place_mm
        Place of best focus along the board, where that term is 0.
    """
    blur, blur_u, good = _disc_blurs(trace, plane)
    aside = _aside_mm(trace) ** 2
    rows = []
    for place in np.unique(trace.along_mm):
        inside = np.flatnonzero(good & (trace.along_mm == place))
        if len(inside) >= LEAST_ROW_DISCS:
            # errors of a blur are in proportion to it: of its shape, and of noise
            own, weight = blur[inside], 1 / np.median(blur[inside])
            own = np.clip(own, *(np.median(own) + 5 * robust_sigma(own) * np.array([-1, 1])))
            x, y = (weight * (each - each.mean()) for each in (aside[inside], own))
            rows.append(np.column_stack([x, x * (place - place_mm), y, weight * blur_u[inside]]))
    table = np.concatenate(rows) if rows else np.zeros((0, 4))
    design, seen, noise = table[:, :2], table[:, 2], table[:, 3]
    freedom = len(table) - len(rows) - 2
    if freedom < LEAST_ROW_DISCS or np.linalg.matrix_rank(design) < 2:
        return 0.0, 0.0
    inverse = np.linalg.inv(design.T @ design)
    slope = inverse @ design.T @ seen
    variance = max(float(np.sum((seen - design @ slope) ** 2)) / freedom, float(np.mean(noise**2)))
    return float(slope[0]), float(np.sqrt(variance * inverse[0, 0]))


def _disc_blurs(trace: RampTrace, plane: int) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return each disc's blur, its uncertainty, and whether it was measured."""
    value, value_u = trace.mtf50[plane], trace.mtf50_u[plane]
    good = np.isfinite(value).all(axis=1) & np.isfinite(value_u).all(axis=1)
    blur = (1 / value**2).mean(axis=1)
    blur_u = np.sqrt(((2 * value_u / value**3) ** 2).sum(axis=1)) / 2
    return blur, blur_u, good


def _aside_mm(trace: RampTrace) -> Array:
    """Return each disc's distance across the board from its middle column; rows and columns have one pitch."""
    pitch = float(np.diff(np.unique(trace.along_mm)).min())
    column = trace.node[:, 0]
    return np.asarray((column - (column.min() + column.max()) / 2) * pitch, dtype=np.float64)


def average_rows(trace: RampTrace, plane: int, growth: float) -> tuple[Array, Array, Array]:
    """Return place along the board, blur and its uncertainty of each row: median 1/MTF50^2 over discs and directions.

    Rows with fewer than three measured discs are left out. `growth` is subtracted; see `find_growth`.
    """
    blur, blur_u, good = _disc_blurs(trace, plane)
    if growth:
        seen = trace.along_mm * np.sin(np.radians(trace.angle_deg))
        blur = blur - growth * (_aside_mm(trace) ** 2 + seen**2)
    rows = []
    for place in np.unique(trace.along_mm):
        inside = good & (trace.along_mm == place)
        if inside.sum() >= LEAST_ROW_DISCS:
            spread_u = np.sqrt((blur_u[inside] ** 2).sum()) / inside.sum()
            rows.append((place, np.median(blur[inside]), MEDIAN_U * spread_u))
    table = np.array(rows).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]
