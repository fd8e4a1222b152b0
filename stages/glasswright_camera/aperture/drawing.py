"""Draw the light at each f-number relative to its marking, and relative to the reference lens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.plugin.drawing import Picture, Plot, Scale, canvas, dot, label, line, mark, reach
from glasswright_camera.plots import WIDTH, legend, plot_canvas

if TYPE_CHECKING:
    from glasswright_camera.aperture.result import Aperture
    from glasswright_camera.aperture.transmission import Transmission

COVERAGE: Final = 2.0
MINUS: Final = "\N{MINUS SIGN}"
LEAST_EV: Final = 0.1
"""Least half height of the axis, so that a good aperture looks good."""
SIDE: Final = 7.0
"""Offset of flats to the left of their f-number, and of chart shots to the right."""


def draw_aperture(aperture: Aperture) -> list[Picture]:
    """Draw every shot's light relative to its f-number's marking, one drawing for each focal length."""
    if not np.isfinite(aperture.aperture_step_error_ev):
        return []
    focal = np.nan_to_num(aperture.focal_length_mm, nan=0.0)
    return [_draw_focal_length(aperture, focal == each, float(each)) for each in np.unique(focal)]


def _draw_focal_length(
    aperture: Aperture, members: np.ndarray[tuple[int], np.dtype[np.bool_]], focal: float
) -> Picture:
    numbers = np.unique(aperture.f_number[members])
    up = reach([*aperture.error_ev[members], -LEAST_EV, LEAST_EV])
    plot = Plot.between((-0.5, len(numbers) - 0.5), up, left=74, bottom=250)
    parts = [plot.axes("", "EV above the marking", ticks=(0, 6))]
    parts.append(line(plot.x.start, plot.y(0), plot.x.end, plot.y(0), "guide"))
    parts += [label(plot.x(place), plot.y.start + 19, f"f/{number:g}") for place, number in enumerate(numbers)]
    for index in np.flatnonzero(members):
        error, is_flat = float(aperture.error_ev[index]), bool(aperture.is_flat[index])
        x = plot.x(int(np.searchsorted(numbers, aperture.f_number[index]))) + (-SIDE if is_flat else SIDE)
        kind = "one" if is_flat else "two"
        shape = dot(x, plot.y(error), f"{'hollow' if aperture.is_rested[index] else 'fill'} {kind}", 4.5)
        rested = ", first after a rest" if aperture.is_rested[index] else ""
        parts.append(mark(shape, f"{aperture.shots[index]}: {_signed(error)} EV{rested}"))
    parts.append(legend(74, plot.y.start + 62, [("fill one", "diffuse source"), ("fill two", "chart")], apart=150))
    title = "Light at each f-number"
    described = (
        f"{f'At {focal:g} mm: l' if focal else 'L'}ight over exposure time of each shot relative to wide open, minus "
        "the difference by the marked f-numbers. Above 0 the aperture is too far open. Hollow: the first stopped-down "
        f"shot after a rest. {describe_aperture(aperture)}"
    )
    return Picture(title, plot_canvas(plot, *parts, name=title), described)


def describe_aperture(aperture: Aperture) -> str:
    """Return the results as a sentence."""
    step = (
        f"Largest error of a step {_signed(aperture.aperture_step_error_ev)} "
        f"± {COVERAGE * aperture.aperture_step_error_ev_u:.2f} EV at {aperture.step_where}"
    )
    if np.isfinite(aperture.aperture_common_error_ev):
        step += (
            f", after {_signed(aperture.aperture_common_error_ev)} "
            f"± {COVERAGE * aperture.aperture_common_error_ev_u:.2f} EV common to all f-numbers"
            + (f" at {aperture.common_where}" if aperture.common_where else "")
        )
    if not np.isfinite(aperture.aperture_scatter_ev):
        return f"{step}; no f-number has two shots to show the scatter between them."
    return f"{step}; largest scatter between shots {aperture.aperture_scatter_ev:.3f} EV at {aperture.scatter_where}."


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", MINUS)


def draw_transmission(found: Transmission) -> list[Picture]:
    """Draw the light relative to the reference lens; nothing if it is not known."""
    value, half = found.transmission_ev, COVERAGE * found.transmission_ev_u
    if not np.isfinite(value):
        return []
    low, high = reach([value - half, value + half, -0.3, 0.3], pad=0.05)
    scale = Scale(low=low, high=high, start=74, end=540)
    parts = [line(scale(0.0), 14, scale(0.0), 58, "guide") + line(74, 58, 540, 58, "axis")]
    for tick in scale.ticks(7):
        parts.append(line(scale(tick), 58, scale(tick), 63, "axis") + label(scale(tick), 77, scale.write(tick, 7)))
    text = f"{value:+.2f} ± {half:.2f} EV".replace("-", "\N{MINUS SIGN}")
    bar = line(scale(value - half), 34, scale(value + half), 34, "bar five")
    parts.append(mark(bar + dot(scale(value), 34, "fill five", 4.5), text))
    parts.append(label(307, 96, "light against the reference lens (EV)", class_="name"))
    title = "Light through the lens"
    described = (
        f"Light of the diffuse source for its exposure time and f-number: {text} against the reference lens. The bar "
        "is two standard uncertainties."
    )
    return [Picture(title, canvas(WIDTH, 106, *parts, label=title, marks=True), described)]
