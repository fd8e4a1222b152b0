"""Drawings of a focus series: MTF50 of the centre and the corners, and the image's size, against the step."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright.plugin.drawing import LINE_KINDS, Picture, Plot, dot, label, line, mark, reach
from glasswright_camera.edges.repeats import main_name, main_plane, shared_discs
from glasswright_camera.field import CORNERS
from glasswright_camera.plots import legend, plot_canvas
from glasswright_camera.sharpness.through_focus import LEAST_STEPS, FocusCurves, fit_focus_curves
from glasswright_camera.sharpness.zones import ZONES, read_zones

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.sharpness.breathing import Breathing

    Array = NDArray[np.float64]

DRAWN = ("centre", *CORNERS)
FARTHEST_FALL = 3.0
"""The curve is drawn up to this many times the 1/MTF50^2 at best focus."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesZones:
    """MTF50 of the zones drawn, mean of both directions, (steps, zones), and their curves."""

    names: tuple[str, ...]
    step: Array
    value: Array
    value_u: Array
    curves: FocusCurves


def read_series_zones(series: tuple[Trace, ...]) -> SeriesZones | None:
    """Read the zones of a series; None where none is measured in all its steps."""
    repeats = shared_discs(series, [main_name(series[0])])
    if not len(repeats.node):
        return None
    main = main_plane(series[0])
    zones = read_zones(repeats, series[0].zones, 1)
    at = [ZONES.index(zone) for zone in DRAWN if np.isfinite(zones.value[:, main, ZONES.index(zone)]).all()]
    if not at:
        return None
    value = zones.value[:, main][:, at].mean(axis=2)
    value_u = np.sqrt((zones.value_u[:, main][:, at] ** 2).sum(axis=2)) / 2
    step = np.array([trace.sequence_count for trace in series], dtype=np.float64)
    return SeriesZones(
        names=tuple(ZONES[k].replace("_", " ") for k in at),
        step=step,
        value=value,
        value_u=value_u,
        # the share of diffraction matters only far from focus
        curves=fit_focus_curves(step, value, value_u, float("inf")),
    )


def draw_focus(series: tuple[Trace, ...]) -> list[Picture]:
    """Draw MTF50 against the focus step, with the curves through focus."""
    series = tuple(sorted(series, key=lambda trace: trace.sequence_count))
    zones = read_series_zones(series) if len(series) >= LEAST_STEPS else None
    if zones is None:
        return []
    plot = Plot.between(reach(zones.step.tolist(), pad=0.04), (0.0, float(zones.value.max()) * 1.12), bottom=330)
    parts = [plot.axes("step of the focus series", "MTF50 (cycles/pixel)")]
    for index, kind in zip(range(len(zones.names)), LINE_KINDS, strict=False):
        parts.append(_draw_zone(plot, kind, zones, index))
    key = list(zip(LINE_KINDS, zones.names, strict=False))
    parts.append(legend(34, plot.y.start + 62, key, apart=106))
    title = "Focus series"
    described = (
        "MTF50 (mean of sagittal and tangential) of the centre and the corners. Lines are curves of a defocused pupil "
        "fitted to the steps; marks at the bottom show each zone's best focus. Thin lines only join the steps of a "
        "zone whose best focus lies outside the series. Bars are two standard uncertainties."
    )
    return [Picture(title, plot_canvas(plot, *parts, name=title), described)]


def _draw_zone(plot: Plot, kind: str, zones: SeriesZones, index: int) -> str:
    name, step, curves = zones.names[index], zones.step, zones.curves
    place, place_u = float(curves.place[index]), float(curves.place_u[index])
    parts = []
    if step.min() < place < step.max():
        fine = np.linspace(step.min(), step.max(), 81)
        run = np.array([float(curves.expect(float(x))[0][index]) for x in fine])
        drawn = np.where(run - curves.peak[index] <= np.log(FARTHEST_FALL), np.exp(-run / 2), np.nan)
        parts.append(plot.line(fine.tolist(), drawn.tolist(), f"line {kind}"))
        at = plot.x(place)
        parts.append(line(at, plot.y.start, at, plot.y.start - 12, f"line {kind} plain"))
        if name == "centre":
            parts.append(label(at, plot.y.end + 10, f"best focus {place:.2f} ± {2 * place_u:.2f}"))
    else:
        parts.append(plot.line(step.tolist(), zones.value[:, index].tolist(), f"line {kind} thin"))
    for x, y, each in zip(step, zones.value[:, index], zones.value_u[:, index], strict=True):
        bar = plot.bar(float(x), float(y), 2 * float(each), f"bar {kind}")
        tip = f"{name}, step {x:g}: {y:.3f} ± {2 * each:.3f} cycles/pixel"
        parts.append(mark(bar + dot(plot.x(float(x)), plot.y(float(y)), f"fill {kind}", 3.2), tip))
    return "".join(parts)


def draw_breathing(found: Breathing) -> list[Picture]:
    """Draw the image's size along the series."""
    half = 2 * found.size_pct_u
    ends = [*(found.size_pct - half).tolist(), *(found.size_pct + half).tolist(), -0.01, 0.01]
    plot = Plot.between(reach([*found.step.tolist()], pad=0.06), reach(ends, pad=0.06), left=86, bottom=230)
    parts = [plot.axes("step of the focus series", "change of size (%)")]
    parts.append(line(plot.x.start, plot.y(0), plot.x.end, plot.y(0), "guide"))
    for x, y, u in zip(found.step.tolist(), found.size_pct.tolist(), half.tolist(), strict=True):
        shape = plot.bar(x, y, u, "bar five") + dot(plot.x(x), plot.y(y), "fill five", 4)
        parts.append(mark(shape, f"step {x:g}: {y:+.3f} ± {u:.3f} %"))
    title = "Size of the image through the focus series"
    described = "Size by the places of the discs, against the mean of all steps."
    if np.isfinite(found.breathing_ratio):
        described += (
            f" It is {found.breathing_ratio:+.2f} ± {2 * found.breathing_ratio_u:.2f} times as much as for a "
            f"lens moved as a whole: {found.breathing_pct:+.2f} % from infinity to this distance."
        )
    return [Picture(title, plot_canvas(plot, *parts, name=title), described)]
