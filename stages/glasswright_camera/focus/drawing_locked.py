"""Draw best focus with locked focus against f-number, and describe it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.plugin.drawing import Picture, Plot, dot, label, line, mark, reach
from glasswright_camera.plots import plot_canvas

if TYPE_CHECKING:
    from glasswright_camera.focus.locked import FocusShift

COVERAGE: Final = 2.0
APART: Final = 0.12
"""Distance between focal lengths at one f-number, so that their bars do not overlap; f-numbers are 1 apart."""
MINUS: Final = "\N{MINUS SIGN}"


def draw_focus_shift(found: FocusShift) -> list[Picture]:
    """Draw best focus with locked focus against f-number, one line for each focal length."""
    numbers = np.unique(found.f_number)
    ends = np.concatenate([found.shift_um - COVERAGE * found.shift_um_u, found.shift_um + COVERAGE * found.shift_um_u])
    plot = Plot.between((-0.5, len(numbers) - 0.5), reach([*ends.tolist(), -2.0, 2.0]), left=74, bottom=250)
    parts = [plot.axes("", "best focus at the sensor (µm)", ticks=(0, 6))]
    parts.append(line(plot.x.start, plot.y(0), plot.x.end, plot.y(0), "guide"))
    parts += [label(plot.x(place), plot.y.start + 19, f"f/{number:g}") for place, number in enumerate(numbers)]
    kinds = ("one", "two", "three", "four", "five")
    focal_lengths = np.unique(found.focal_length_mm)
    for row, focal in enumerate(focal_lengths):
        kind = kinds[row % len(kinds)]
        inside = np.flatnonzero(found.focal_length_mm == focal)
        aside = APART * (row - (len(focal_lengths) - 1) / 2)
        x = [float(np.searchsorted(numbers, found.f_number[k])) + aside for k in inside]
        parts.append(plot.line(x, found.shift_um[inside].tolist(), f"line {kind}"))
        for at, k in zip(x, inside, strict=True):
            value, half = float(found.shift_um[k]), COVERAGE * float(found.shift_um_u[k])
            tip = f"{focal:g} mm f/{found.f_number[k]:g}: {_signed(value)} ± {half:.1f} µm"
            shape = plot.bar(at, value, half, f"bar {kind}") + dot(plot.x(at), plot.y(value), f"fill {kind}", 4.5)
            parts.append(mark(shape, tip))
        parts.append(
            label(plot.x(x[-1]) + 8, plot.y(float(found.shift_um[inside[-1]])) - 6, f"{focal:g} mm", anchor="start")
        )
    title = "Focus with the focus locked"
    return [Picture(title, plot_canvas(plot, *parts, name=title), describe_focus_shift(found))]


def describe_focus_shift(found: FocusShift) -> str:
    """Return the results as sentences."""
    said = ["Best focus on the inclined board without focusing in between; above 0 it lies behind the focusing band."]
    if np.isfinite(found.focus_shift_um):
        kind = "undercorrected" if found.spherical_um > 0 else "overcorrected"
        sure = abs(found.spherical_um) > COVERAGE * found.spherical_um_u
        said.append(
            f"On stopping down it moves by {_signed(found.focus_shift_um)} ± "
            f"{COVERAGE * found.focus_shift_um_u:.1f} µm ({found.shift_where}); "
            f"{100 * found.kept_sharpness_frac:.0f} % of the sharpness is kept at the focus of the lowest f-number."
            + (f" The spherical aberration is {kind}, {found.spherical_um:+.2f} µm." if sure else "")
        )
    if np.isfinite(found.parfocal_um):
        said.append(
            f"On zooming it moves by {_signed(found.parfocal_um)} ± {COVERAGE * found.parfocal_um_u:.1f} µm at "
            f"{found.parfocal_where} against the longest focal length."
        )
    return " ".join(said)


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", MINUS)
