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

FIELD_ROUNDS: Final = 2
GROWTH_U: Final = 0.12
CURVATURE_U: Final = 0.25
"""Relative standard uncertainties of a field's growth and curvature, as real ones do not follow the square exactly and
the board shows them only near its rows. Chosen so that errors are 1 u (rms) on boards of known focus, at f/2 and f/4,
with growths of up to 5 um and curvatures of up to 20 um (`ci/bench board`)."""
LEAST_ROW_DISCS: Final = 3
"""The fewest of which a median leaves out one that is odd."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """The part of the setting that converts millimetres at the board to depths of focus."""

    focal_length_mm: float
    f_number: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """What a lens's field does along the board, apart from depth, with standard uncertainties."""

    growth: float
    """By how much the blur (1/MTF50^2) grows with the square of the distance from the board's middle, seen along the
    axis: square pixels per square millimetre."""
    growth_u: float
    curvature: float
    """Of the surface of best focus: um at the sensor per square millimetre of that distance."""
    curvature_u: float


NO_FIELD: Final = Field(growth=0.0, growth_u=0.0, curvature=0.0, curvature_u=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelU:
    """Standard uncertainties from the form of growth and curvature, which all shots of a setting share."""

    axial_mm: float
    shift_um: float
    kept: float
    own_um: float
    """That of `shift_um` without the curvature's, which all planes share."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Best focus in one plane of one shot, at the board along the axis and at the sensor."""

    axial_mm: float
    axial_mm_u: float
    """From pixel noise, also that in the field's growth and curvature."""
    shift_um: float
    shift_um_u: float
    """The same."""
    shift_um_own_u: float
    """That without the curvature's, which all planes of a shot share."""
    model_u: ModelU
    angle_u_frac: float
    """Relative standard uncertainty of both distances from the board's angle, common to all shots."""
    kept: float
    """MTF50 at the focusing band over that at best focus."""
    kept_u: float
    vertex: Vertex
    """The curve fitted over distances at the sensor."""
    field: Field
    """What was taken off."""

    def kept_at(self, shift_um: float) -> tuple[float, float]:
        """Return MTF50 at another focus over that at best focus, and its standard uncertainty."""
        return self.vertex.kept_at(self.vertex.place + shift_um - self.shift_um)


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


def find_focus(trace: RampTrace, plane: int, lens: Lens, main: Found | None = None) -> Found:
    """Find best focus in one plane of a shot.

    The fit is over distances at the sensor, where both sides of the board have the same scale. Growth of the blur and
    curvature of the field are measured across the board and taken off, see `find_field`. Their uncertainties from noise
    are part of the result's; those from their form are `model_u`. Of other planes than the `main` one the curvature is
    that of the main one: it differs little, and its noise cancels in their difference.

    Raises
    ------
    Unmeasurable
        See `find_vertex`.
    """
    field, place = NO_FIELD, 0.0
    found = None
    # the field is read at best focus, and best focus moves with it
    for _ in range(FIELD_ROUNDS):
        with suppress(Unmeasurable):
            found = _fit_focus(trace, plane, lens, field)
            place = found.axial_mm / axial_mm(1.0, trace.angle_deg)
        field = find_field(trace, plane, lens, place, found.vertex if found else None)
        if main is not None:
            field = replace(field, curvature=main.field.curvature, curvature_u=main.field.curvature_u)
    found = _fit_focus(trace, plane, lens, field)
    (growth, growth_model), (curvature, curvature_model) = (
        _vary(trace, plane, lens, found, name, share)
        for name, share in (("growth", GROWTH_U), ("curvature", CURVATURE_U))
    )
    axial, shift, kept = (float(each) for each in np.hypot(growth_model, curvature_model))
    return replace(
        found,
        axial_mm_u=float(np.linalg.norm([found.axial_mm_u, growth[0], curvature[0]])),
        shift_um_u=float(np.linalg.norm([found.shift_um_u, growth[1], curvature[1]])),
        shift_um_own_u=float(np.hypot(found.shift_um_u, growth[1])),
        kept_u=float(np.linalg.norm([found.kept_u, growth[2], curvature[2]])),
        model_u=ModelU(axial_mm=axial, shift_um=shift, kept=kept, own_um=abs(float(growth_model[1]))),
    )


def _vary(trace: RampTrace, plane: int, lens: Lens, found: Found, name: str, share: float) -> tuple[Array, Array]:
    """Return the uncertainties from one part of the field: of distance, shift and kept sharpness.

    Returns
    -------
    tuple
        From its noise, and from a `share` of it. Both are of one derivative.
    """
    value, noise = getattr(found.field, name), getattr(found.field, f"{name}_u")
    form = share * abs(value)
    step = max(noise, form)
    if step == 0:
        return np.zeros(3), np.zeros(3)
    other = _fit_focus(trace, plane, lens, replace(found.field, **{name: value + step}))
    change = [other.axial_mm - found.axial_mm, other.shift_um - found.shift_um, other.kept - found.kept]
    return np.array(change) * (noise / step), np.array(change) * (form / step)


def _fit_focus(trace: RampTrace, plane: int, lens: Lens, field: Field) -> Found:
    """Find best focus with a known growth of the blur and curvature of the field.

    A row's defocus is that of its depth and, in a curved field, of its discs' distances from the middle. Best focus is
    where the mean defocus of a row is 0.
    """
    rows = average_rows(trace, plane, field.growth)
    m = trace.magnification_frac
    axial = np.array([axial_mm(float(v), trace.angle_deg) for v in rows.along_mm])
    shift = sensor_shift_um(axial, lens.focal_length_mm, m)
    sine = float(np.sin(np.radians(trace.angle_deg)))
    bent = field.curvature * ((rows.along_mm * sine) ** 2 + rows.aside_mm2)
    vertex = find_vertex(shift + bent, rows.blur, rows.blur_u, trace.planes[plane])
    # the shift at which depth and curvature together are the vertex's place
    place = float(np.interp(vertex.place, shift + bent - field.curvature * (rows.aside_mm2 - rows.mean_mm2), shift))
    at_board = board_mm(place, lens.focal_length_mm, m)
    widening = 1 / (1000 * m**2) * (1 + at_board * m / lens.focal_length_mm) ** 2
    found = Found(
        kept=0.0,
        kept_u=0.0,
        vertex=vertex,
        field=field,
        axial_mm=at_board,
        axial_mm_u=vertex.place_u * widening,
        shift_um=place,
        shift_um_u=vertex.place_u,
        shift_um_own_u=vertex.place_u,
        model_u=ModelU(axial_mm=0.0, shift_um=0.0, kept=0.0, own_um=0.0),
        angle_u_frac=abs(axial_sensitivity(trace.angle_deg)) * float(np.radians(trace.angle_deg_u)),
    )
    kept, kept_u = found.kept_at(0.0)
    return replace(found, kept=kept, kept_u=kept_u)


def find_field(trace: RampTrace, plane: int, lens: Lens, place_mm: float, vertex: Vertex | None) -> Field:
    """Measure the growth of the blur and the curvature of the field across the board.

    A lens is softer towards the corners whatever the focus. Along the board that looks like defocus about the middle
    and draws the vertex there: at f/8, where defocus changes the blur little, by a quarter of its distance on a frame
    that the board fills. The discs of a row have the same depth, so their differences show the growth. In a curved
    field they also show a term in proportion to the row's defocus: twice the curvature, times the square term of the
    blur over defocus.

    Parameters
    ----------
    place_mm
        Place of best focus along the board, where that term is 0.
    vertex
        The curve fitted about it; without one the curvature is 0.
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
        return NO_FIELD
    inverse = np.linalg.inv(design.T @ design)
    slope = inverse @ design.T @ seen
    variance = max(float(np.sum((seen - design @ slope) ** 2)) / freedom, float(np.mean(noise**2)))
    slope_u = np.sqrt(variance * np.diag(inverse))
    per_curvature = np.inf
    if vertex is not None and vertex.square > 0:
        step = np.array([axial_mm(place_mm + each, trace.angle_deg) for each in (-0.5, 0.5)])
        um_per_mm = float(np.diff(sensor_shift_um(step, lens.focal_length_mm, trace.magnification_frac))[0])
        per_curvature = 2 * um_per_mm * vertex.square / ((vertex.high - vertex.low) / 2) ** 2
    return Field(
        growth=float(slope[0]),
        growth_u=float(slope_u[0]),
        curvature=float(slope[1]) / per_curvature,
        curvature_u=float(slope_u[1]) / per_curvature,
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Rows of the board, (rows,): those with LEAST_ROW_DISCS measured discs or more."""

    along_mm: Array
    blur: Array
    """Median 1/MTF50^2 over discs and directions, less the growth."""
    blur_u: Array
    aside_mm2: Array
    """Square of the distance across the board from its middle: median over the discs."""
    mean_mm2: Array
    """Its mean over all discs of the row, measured or not."""


def average_rows(trace: RampTrace, plane: int, growth: float) -> Rows:
    """Average the blur of each row; `growth` is subtracted, see `Field`."""
    blur, blur_u, good = _disc_blurs(trace, plane)
    aside = _aside_mm(trace) ** 2
    seen = trace.along_mm * np.sin(np.radians(trace.angle_deg))
    blur = blur - growth * (aside + seen**2)
    rows = []
    for place in np.unique(trace.along_mm):
        inside = good & (trace.along_mm == place)
        if inside.sum() >= LEAST_ROW_DISCS:
            spread_u = np.sqrt((blur_u[inside] ** 2).sum()) / inside.sum()
            mean = aside[trace.along_mm == place].mean()
            rows.append((place, np.median(blur[inside]), MEDIAN_U * spread_u, np.median(aside[inside]), mean))
    table = np.array(rows).reshape(-1, 5)
    return Rows(along_mm=table[:, 0], blur=table[:, 1], blur_u=table[:, 2], aside_mm2=table[:, 3], mean_mm2=table[:, 4])
