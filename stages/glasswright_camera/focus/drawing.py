"""Drawings of the inclined board: blur against distance by colour, and best focus against the depth of focus."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright.plugin.drawing import Picture, Plot, Scale, canvas, dot, element, label, line, mark, reach
from glasswright_camera.focus.depth import axial_mm, board_mm, sensor_shift_um
from glasswright_camera.focus.fit import SPAN, find_vertex
from glasswright_camera.focus.reading import average_rows, find_focus, read_setting
from glasswright_camera.plots import WIDTH, legend, plot_canvas

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.ramp import RampTrace
    from glasswright_camera.focus.fit import Vertex
    from glasswright_camera.focus.reading import Lens
    from glasswright_camera.focus.result import FocusOffset

    Array = NDArray[np.float64]

KINDS: Final = {"green": "five", "red": "two", "blue": "one"}
"""Class of each colour; a sensor without colours has one plane of another name."""
COVERAGE: Final = 2.0
SHOWN: Final = SPAN * 1.15
"""Largest blur shown, over the least; rows beyond `SPAN` are not fitted."""


def draw_ramp(traces: tuple[RampTrace, ...]) -> list[Picture]:
    """Draw the first shot's blur along the axis by colour, and best focus of each further shot."""
    try:
        lens = read_setting(traces[0])
    except Unmeasurable:  # reported by the stage; without them distances at the sensor are not known
        return []
    first = traces[0]
    planes = sorted(first.planes, key=lambda name: list(KINDS).index(name) if name in KINDS else -1)
    rows = {name: _read_rows(first, first.planes.index(name), lens) for name in planes}
    rows = {name: each for name, each in rows.items() if len(each[0])}
    if not rows:
        return []
    shown = SHOWN * max(float(blur.min()) for _, blur, _ in rows.values())
    highest = min(shown, 1.1 * max(float((blur + COVERAGE * blur_u).max()) for _, blur, blur_u in rows.values()))
    every = np.concatenate([place[blur <= highest] for place, blur, _ in rows.values()])
    plot = Plot.between(reach([*every.tolist(), 0.0], pad=0.06), (0.0, highest), bottom=330)
    parts = [plot.axes("mm along the axis from the focusing band, minus is nearer", "blur, 1/MTF50² (px²)")]
    parts.append(line(plot.x(0.0), plot.y.start, plot.x(0.0), plot.y.end, "guide"))
    key = []
    for name, row in rows.items():
        kind = KINDS.get(name, "five")
        vertex = _find(first, lens, row, name)
        parts.append(_draw_plane(plot, (kind, name), row, vertex, (first, lens)))
        key.append((kind, f"{name} {_format_vertex(vertex, first, lens).removesuffix(' mm')}"))
    parts += [_draw_other(plot, trace, lens, number) for number, trace in enumerate(traces[1:], start=2)]
    parts.append(legend(6, plot.y.start + 62, key, apart=188))
    title = "Blur along the inclined board"
    return [Picture(title, plot_canvas(plot, *parts, name=title), _describe(len(traces)))]


def _describe(shots: int) -> str:
    others = f" of the first of {shots} shots; triangles below mark best focus in the others" if shots > 1 else ""
    return (
        f"Points are the rows of discs{others}, less the growth of the blur towards the frame's edge. Lines are the "
        "fitted curves, upright marks their vertices with two standard uncertainties of the fit; rows blurred more "
        f"than {SPAN:g} times the least are not fitted. Zero is "
        "the focusing band; the legend gives best focus in mm."
    )


def _read_rows(trace: RampTrace, plane: int, lens: Lens) -> tuple[Array, Array, Array]:
    growth = 0.0
    with suppress(Unmeasurable):
        growth = find_focus(trace, plane, lens).field.growth
    rows = average_rows(trace, plane, growth)
    axial = np.array([axial_mm(float(each), trace.angle_deg) for each in rows.along_mm], dtype=np.float64)
    return axial, rows.blur, rows.blur_u


def _find(trace: RampTrace, lens: Lens, row: tuple[Array, Array, Array], name: str) -> Vertex | None:
    """Return the vertex fitted over distances at the sensor, as in the stage; None without one."""
    shift = sensor_shift_um(row[0], lens.focal_length_mm, trace.magnification_frac)
    try:
        return find_vertex(shift, row[1], row[2], name)
    except Unmeasurable:
        return None


def _at_board(vertex: Vertex, trace: RampTrace, lens: Lens) -> tuple[float, float]:
    """Return the vertex's place along the axis and its standard uncertainty from the fit."""
    places = [
        board_mm(place, lens.focal_length_mm, trace.magnification_frac)
        for place in (vertex.place - vertex.place_u, vertex.place, vertex.place + vertex.place_u)
    ]
    return places[1], (places[2] - places[0]) / 2


def _format_vertex(vertex: Vertex | None, trace: RampTrace, lens: Lens) -> str:
    if vertex is None:
        return "no best focus"
    place, u = _at_board(vertex, trace, lens)
    return f"{place:+.2f} ± {COVERAGE * u:.2f} mm".replace("-", "\N{MINUS SIGN}")


def _draw_plane(
    plot: Plot,
    style: tuple[str, str],
    row: tuple[Array, Array, Array],
    vertex: Vertex | None,
    shot: tuple[RampTrace, Lens],
) -> str:
    (kind, name), (place, blur, blur_u), (trace, lens) = style, row, shot
    parts = []
    if vertex is not None:
        fine = np.linspace(vertex.low, vertex.high, 61)
        curve = vertex.at(fine)
        curve = np.where((curve > 0) & (curve <= plot.y.high), curve, np.nan)
        board = [board_mm(float(each), lens.focal_length_mm, trace.magnification_frac) for each in fine]
        parts.append(plot.line(board, curve.tolist(), f"line {kind}"))
        at, u = _at_board(vertex, trace, lens)
        low, high = plot.x(at - COVERAGE * u), plot.x(at + COVERAGE * u)
        foot = plot.y.start - 8 * (1 + list(KINDS.values()).index(kind))
        upright = line(plot.x(at), plot.y.start, plot.x(at), plot.y(vertex.blur), f"bar {kind}")
        across = line(low, foot, high, foot, f"bar {kind}")
        parts.append(mark(upright + across, f"best focus in {name}: {_format_vertex(vertex, trace, lens)}"))
    for x, y, u in zip(place.tolist(), blur.tolist(), blur_u.tolist(), strict=True):
        if y <= plot.y.high:
            tip = f"{name}, {x:+.1f} mm: {y:.2f} ± {COVERAGE * u:.2f} px², MTF50 {y**-0.5:.3f} cycles/pixel"
            shape = plot.bar(x, y, COVERAGE * u, f"bar {kind}") + dot(plot.x(x), plot.y(y), f"fill {kind}", 3)
            parts.append(mark(shape, tip))
    return "".join(parts)


def _draw_other(plot: Plot, trace: RampTrace, lens: Lens, number: int) -> str:
    """Draw best focus of a further shot in its main plane; nothing without one."""
    plane = trace.planes.index("green") if "green" in trace.planes else 0
    vertex = _find(trace, lens, _read_rows(trace, plane, lens), trace.planes[plane])
    if vertex is None:
        return ""
    at = plot.x(_at_board(vertex, trace, lens)[0])
    points = f"{at - 5:.1f},{plot.y.start + 9:.1f} {at + 5:.1f},{plot.y.start + 9:.1f} {at:.1f},{plot.y.start + 1:.1f}"
    tip = f"shot {number}: best focus in {trace.planes[plane]} {_format_vertex(vertex, trace, lens)}"
    return mark(element("polygon", points=points, class_=f"fill {KINDS.get(trace.planes[plane], 'five')}"), tip)


def draw_offset(offset: FocusOffset) -> list[Picture]:
    """Draw best focus of each colour at the sensor, over the depth of focus."""
    found = {name: getattr(offset, name) for name in ("red", "green", "blue")}
    found = {name: each for name, each in found.items() if np.isfinite(each.shift_um)}
    depth = offset.depth_of_focus_um
    ends = [each.shift_um + sign * COVERAGE * each.shift_um_u for each in found.values() for sign in (-1, 1)]
    low, high = reach([*ends, -1.3 * depth, 1.3 * depth], pad=0.03)
    scale = Scale(low=low, high=high, start=74, end=540)
    bottom = 28.0 + 30 * len(found)
    left, right = scale(-depth), scale(depth)
    parts = [element("rect", x=left, y=14, width=right - left, height=bottom - 14, class_="allowed")]
    parts.append(label((left + right) / 2, 11, f"depth of focus ±{depth:.0f} µm"))
    parts.append(line(scale(0.0), 14, scale(0.0), bottom, "guide") + line(74, bottom, 540, bottom, "axis"))
    for tick in scale.ticks(7):
        parts.append(line(scale(tick), bottom, scale(tick), bottom + 5, "axis"))
        parts.append(label(scale(tick), bottom + 19, scale.write(tick, 7)))
    for k, (name, each) in enumerate(found.items()):
        y, kind = 34.0 + 30 * k, KINDS[name]
        half = COVERAGE * each.shift_um_u
        bar = line(scale(each.shift_um - half), y, scale(each.shift_um + half), y, f"bar {kind}")
        tip = (
            f"{name}: {each.shift_um:+.1f} ± {half:.1f} µm at the sensor, {each.offset_mm:+.2f} "
            f"± {COVERAGE * each.offset_mm_u:.2f} mm at the board, {each.offset_depths:+.2f} depths of focus"
        )
        parts.append(label(66, y + 4, name, anchor="end", class_="name"))
        parts.append(mark(bar + dot(scale(each.shift_um), y, f"fill {kind}", 4.5), tip))
    parts.append(label(307, bottom + 38, "best focus against the band, at the sensor (µm)", class_="name"))
    title = "Front and back focus"
    described = (
        "Minus is front focus: sharpest nearer than the band. The shaded strip is the depth of focus. Bars are two "
        f"standard uncertainties; mean of {offset.shot_count} shot{'' if offset.shot_count == 1 else 's'}."
    )
    return [Picture(title, canvas(WIDTH, bottom + 46, *parts, label=title, marks=True), described)]
