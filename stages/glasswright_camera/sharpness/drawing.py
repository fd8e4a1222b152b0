"""Drawings of sharpness: maps over the field, and transfer functions of the centre and the corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright.plugin.drawing import LINE_KINDS, Picture, Plot, dot, label, line, mark, mark_dot, shade
from glasswright_camera.edges.repeats import main_name, main_plane, mean_with_scatter, shared_discs
from glasswright_camera.plots import WIDTH, FrameView, legend, plot_canvas, shade_bar

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]

SIDES = ("sagittal", "tangential")
MEANING = ("lines along the image radius", "lines at right angles to the image radius")


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldReading:
    """MTF50 of each disc, the mean of a setting's shots."""

    view: FrameView
    plane: str
    node: NDArray[np.int64]
    place_px: Array
    value: Array
    """(discs, 2): sagittal, tangential."""
    value_u: Array
    mtf: Array
    """(discs, 2, frequencies)."""
    frequency: Array
    shots: int


def read_field(traces: tuple[Trace, ...]) -> FieldReading | None:
    """Combine the shots of a setting; None where they share no disc or come from different bodies."""
    first = traces[0]
    if any((t.width_px, t.height_px, t.planes) != (first.width_px, first.height_px, first.planes) for t in traces):
        return None
    repeats = shared_discs(traces, [main_name(traces[0])])
    if not len(repeats.node):
        return None
    main = main_plane(first)
    value, value_u = mean_with_scatter(repeats.stack(lambda t: t.mtf50), repeats.stack(lambda t: t.mtf50_u))
    mtf = repeats.stack(lambda t: np.asarray(t.mtf, dtype=np.float64)).mean(axis=0)
    return FieldReading(
        view=FrameView(width_px=first.width_px, height_px=first.height_px),
        plane=first.planes[main],
        node=repeats.node,
        place_px=repeats.places(),
        value=value[main],
        value_u=value_u[main],
        mtf=mtf[main],
        frequency=first.frequency,
        shots=len(traces),
    )


def draw_sharpness(field: FieldReading) -> list[Picture]:
    """Draw the sagittal and tangential maps on one scale, and the transfer functions."""
    low, high = float(np.floor(field.value.min() * 50) / 50), float(np.ceil(field.value.max() * 50) / 50)
    maps = [_draw_map(field, side, low, high) for side in range(2)]
    return [*maps, _draw_transfer(field)]


def _draw_map(field: FieldReading, side: int, low: float, high: float) -> Picture:
    view = field.view
    radius = view.disc_radius(field.place_px)
    title = f"MTF50 over the field, {SIDES[side]}"
    worst = int(np.argmin(field.value[:, side]))
    parts = []
    for k, (x, y) in enumerate(view.place(field.place_px)):
        value, u = field.value[k, side], field.value_u[k, side]
        column, row = field.node[k]
        tip = f"column {column}, row {row}: {value:.3f} ± {2 * u:.3f} cycles/pixel"
        parts.append(mark_dot(float(x), float(y), shade(float(value), low, high), radius, tip))
    x, y = view.place(field.place_px[worst : worst + 1])[0]
    parts.append(dot(float(x), float(y), "ring", radius + 2))
    where = f"lowest {field.value[worst, side]:.3f} (ringed)"
    below = view.bottom + 14
    parts += [shade_bar(below, low, high, "cycles/pixel"), label(WIDTH - 14, below + 10, where, anchor="end")]
    described = (
        f"{field.plane.capitalize()} plane, {MEANING[side]}; one disc of the chart each, {_format_shots(field.shots)}; "
        "± is two standard uncertainties from pixel noise. Orientation as on the sensor."
    )
    return Picture(title, view.draw(*parts, below=52, name=title, marks=True), described)


def _format_shots(count: int) -> str:
    return "one shot" if count == 1 else f"the mean of {count} shots"


def choose_spots(field: FieldReading) -> list[tuple[str, int]]:
    """Return name and index of the disc nearest the frame's middle and of the outermost in each quarter."""
    middle = np.array([(field.view.width_px - 1) / 2, (field.view.height_px - 1) / 2])
    off = field.place_px - middle
    distance = np.hypot(off[:, 0], off[:, 1])
    spots = [("centre", int(np.argmin(distance)))]
    for name, left, up in (
        ("upper left", True, True),
        ("upper right", False, True),
        ("lower left", True, False),
        ("lower right", False, False),
    ):
        inside = ((off[:, 0] < 0) == left) & ((off[:, 1] < 0) == up)
        if inside.any():
            spots.append((name, int(np.argmax(np.where(inside, distance, -1.0)))))
    return spots


def _draw_transfer(field: FieldReading) -> Picture:
    title = "Transfer functions, centre and corners"
    last = float(min(field.frequency[-1], 0.6))
    plot = Plot.between((0.0, last), (0.0, 1.05), bottom=330)
    parts = [plot.axes("spatial frequency (cycles/pixel)", "MTF (1)")]
    parts.append(line(plot.x.start, plot.y(0.5), plot.x.end, plot.y(0.5), "guide"))
    parts.append(line(plot.x(0.5), plot.y.start, plot.x(0.5), plot.y.end, "guide"))
    parts.append(label(plot.x(0.5) - 5, plot.y.end + 12, "Nyquist", anchor="end"))
    inside = field.frequency <= last + 1e-9
    spots = choose_spots(field)
    for kind, (name, disc) in zip(LINE_KINDS, spots, strict=False):
        for side in range(2):
            style = f"line {kind}" if side == 0 else f"line {kind} thin"
            parts.append(plot.line(field.frequency[inside].tolist(), field.mtf[disc, side, inside].tolist(), style))
            value, u = float(field.value[disc, side]), float(field.value_u[disc, side])
            at, half = plot.x(value), plot.x(value + 2 * u) - plot.x(value)
            tip = f"{name} {SIDES[side]}: MTF50 {value:.3f} ± {2 * u:.3f} cycles/pixel"
            y = plot.y(0.5)
            bar = line(at - half, y, at + half, y, f"bar {kind}")
            parts.append(mark(bar + dot(at, y, f"fill {kind}", 4 if side == 0 else 3), tip))
    key = [(kind, name) for kind, (name, _) in zip(LINE_KINDS, spots, strict=False)]
    parts.append(legend(14, plot.y.start + 62, key, apart=108))
    described = (
        f"{field.plane.capitalize()} plane, {_format_shots(field.shots)}: the disc nearest the middle and the "
        "outermost of each quarter. Wide lines sagittal, thin lines tangential; each dot is an MTF50, its bar two "
        "standard uncertainties. The numbers under Limits are means over the zones, not these single discs."
    )
    return Picture(title, plot_canvas(plot, *parts, name=title), described)
