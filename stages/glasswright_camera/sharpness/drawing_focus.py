"""A drawing of a focus series: blur of the centre and the corners against the step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright.plugin.drawing import LINE_KINDS, Picture, Plot, dot, label, line, mark, reach
from glasswright_camera.edges.repeats import main_name, main_plane, shared_discs
from glasswright_camera.field import CORNERS, zone_members
from glasswright_camera.plots import legend, plot_canvas
from glasswright_camera.sharpness.focus_curve import LEAST_STEPS, focus_curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]


def read_zones(series: tuple[Trace, ...]) -> list[tuple[str, Array, Array]]:
    """Give (name, MTF50, standard uncertainty), each (steps,), of the centre and the corners."""
    repeats = shared_discs(series, [main_name(series[0])])
    if not len(repeats.node):
        return []
    main = main_plane(series[0])
    value = repeats.stack(lambda t: t.mtf50)[:, main].mean(axis=2)
    value_u = np.sqrt((repeats.stack(lambda t: t.mtf50_u)[:, main] ** 2).sum(axis=2)) / 2
    first = series[0]
    members = zone_members(repeats.places(), first.width_px, first.height_px, first.zones)
    found = []
    for zone in ("centre", *CORNERS):
        inside = members[zone]
        if inside.any():
            u = np.sqrt((value_u[:, inside] ** 2).sum(axis=1)) / inside.sum()
            found.append((zone.replace("_", " "), value[:, inside].mean(axis=1), u))
    return found


def draw_focus(series: tuple[Trace, ...]) -> list[Picture]:
    """Draw MTF50 against the focus step, with the parabola of blur that best focus is read from."""
    series = tuple(sorted(series, key=lambda trace: trace.sequence_count))
    zones = read_zones(series) if len(series) >= LEAST_STEPS else []
    if not zones:
        return []
    step = np.array([trace.sequence_count for trace in series], dtype=np.float64)
    highest = max(float(value.max()) for _, value, _ in zones)
    plot = Plot.between(reach(step.tolist(), pad=0.04), (0.0, highest * 1.12), bottom=330)
    parts = [plot.axes("step of the focus series", "MTF50 (cycles/pixel)")]
    for kind, (name, value, u) in zip(LINE_KINDS, zones, strict=False):
        parts.append(_draw_zone(plot, kind, name, (step, value, u)))
    key = [(kind, name) for kind, (name, _, _) in zip(LINE_KINDS, zones, strict=False)]
    parts.append(legend(34, plot.y.start + 62, key, apart=106))
    title = "Focus series"
    described = (
        "MTF50 (mean of sagittal and tangential) of the centre and the corners; lines are parabolas of blur through "
        "the steps near each zone's own best focus, which the upright marks show; thin lines only join the steps of a "
        "zone whose best focus lies outside the series. Bars are two standard uncertainties."
    )
    return [Picture(title, plot_canvas(plot, *parts, name=title), described)]


def _draw_zone(plot: Plot, kind: str, name: str, curve: tuple[Array, Array, Array]) -> str:
    step, value, u = curve
    fit = focus_curve(step, 1 / value**2, 2 * u / value**3)
    parts = []
    if fit.weight[2] > 0 and step.min() <= fit.vertex <= step.max():
        fine = np.linspace(step.min(), step.max(), 81)
        blur = np.array([fit.at(float(x))[0] for x in fine])
        drawn = np.where((blur > 0) & (blur <= 3 * fit.at(fit.vertex)[0]), blur, np.nan)
        parts.append(plot.line(fine.tolist(), (drawn**-0.5).tolist(), f"line {kind}"))
        at = plot.x(fit.vertex)
        parts.append(line(at, plot.y.start, at, plot.y.start - 12, f"line {kind} plain"))
        if name == "centre":
            found = f"best focus {fit.vertex:.2f} ± {2 * fit.vertex_u:.2f}"
            parts.append(label(at, plot.y.end + 10, found))
    else:
        parts.append(plot.line(step.tolist(), value.tolist(), f"line {kind} thin"))
    for x, y, each in zip(step, value, u, strict=True):
        bar = plot.bar(float(x), float(y), 2 * float(each), f"bar {kind}")
        tip = f"{name}, step {x:g}: {y:.3f} ± {2 * each:.3f} cycles/pixel"
        parts.append(mark(bar + dot(plot.x(float(x)), plot.y(float(y)), f"fill {kind}", 3.2), tip))
    return "".join(parts)
