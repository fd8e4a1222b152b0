"""Drawing of a sweep: sharpness against f-number, with the ceiling of diffraction and pixel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.plugin.drawing import LINE_KINDS, Picture, Plot, dot, label, line, mark, path
from glasswright_camera.plots import legend, plot_canvas
from glasswright_camera.sharpness.table import PLANES, REGIONS

if TYPE_CHECKING:
    from glasswright_camera.sweep.result import Sweep

COVERAGE: Final = 2.0
"""Length of bars in standard uncertainties."""
LEAST_NUMBERS: Final = 2


def draw_sweep(sweep: Sweep) -> list[Picture]:
    """Draw each focal length with two or more f-numbers."""
    known = np.nan_to_num(sweep.focal_length_mm, nan=-1.0)
    pictures = []
    for focal in sorted(set(known.tolist())):
        rows = np.flatnonzero(known == focal)
        # with several focus distances there are several values at one f-number, and no line is drawn
        if len(rows) >= LEAST_NUMBERS and len(set(sweep.f_number[rows].tolist())) == len(rows):
            pictures.append(_draw(sweep, rows.tolist(), f" at {focal:g} mm" if focal > 0 else ""))
    return pictures


def _draw(sweep: Sweep, rows: list[int], where: str) -> Picture:
    stops = [_stop(number) for number in sweep.f_number[rows].tolist()]
    ceiling = sweep.ceiling[rows, PLANES.index("green")]
    highest = float(np.nanmax([*ceiling.tolist(), *sweep.sharpness[rows].ravel().tolist()]))
    plot = Plot.between((stops[0] - 0.4, stops[-1] + 0.4), (0.0, highest * 1.06), bottom=290)
    parts = [_draw_axes(plot, sweep.f_number[rows].tolist())]
    ceiling_kind = LINE_KINDS[len(REGIONS)]
    parts.append(plot.line(stops, ceiling.tolist(), f"line {ceiling_kind}"))
    for region, kind in enumerate(LINE_KINDS[: len(REGIONS)]):
        parts.append(_draw_region(plot, kind, sweep, rows, region))
    names = [*zip(LINE_KINDS, REGIONS, strict=False), (ceiling_kind, "ceiling")]
    parts.append(legend(62, plot.y.start + 62, names, apart=118))
    title = f"Sharpness over the f-number{where}"
    described = (
        "Green MTF50 of the centre, the corners (mean of four) and the whole field. The ceiling is the MTF50 of a "
        "perfect lens with the pixel, at the shortest green wavelength: nothing sharper can be "
        "imaged. Bars are two standard uncertainties."
    )
    return Picture(title, plot_canvas(plot, *parts, name=title), described)


def _stop(f_number: float) -> float:
    """Return the place of an f-number: whole stops lie equally far apart."""
    return 2 * math.log2(f_number)


def _draw_axes(plot: Plot, f_numbers: list[float]) -> str:
    left, right, bottom, top = plot.x.start, plot.x.end, plot.y.start, plot.y.end
    parts = [line(left, plot.y(value), right, plot.y(value), "grid") for value in plot.y.ticks()]
    for number in f_numbers:
        x = plot.x(_stop(number))
        parts.append(line(x, bottom, x, bottom + 5, "axis") + label(x, bottom + 19, f"f/{number:g}"))
    parts.append(path([(left, top), (left, bottom), (right, bottom)], "axis"))
    parts.append(label((left + right) / 2, bottom + 38, "f-number", class_="name"))
    parts.append(plot.name_up("MTF50 (cycles/pixel)"))
    return "".join(parts)


def _draw_region(plot: Plot, kind: str, sweep: Sweep, rows: list[int], region: int) -> str:
    values, own = sweep.sharpness[rows, region], sweep.sharpness_u[rows, region]
    numbers = sweep.f_number[rows].tolist()
    parts = [plot.line([_stop(number) for number in numbers], values.tolist(), f"line {kind}")]
    for number, value, u in zip(numbers, values.tolist(), own.tolist(), strict=True):
        if math.isfinite(value):
            bar = plot.bar(_stop(number), value, COVERAGE * u, f"bar {kind}")
            tip = f"{REGIONS[region]}, f/{number:g}: {value:.4f} ± {COVERAGE * u:.4f} cycles/pixel"
            parts.append(mark(bar + dot(plot.x(_stop(number)), plot.y(value), f"fill {kind}", 3.6), tip))
    return "".join(parts)
