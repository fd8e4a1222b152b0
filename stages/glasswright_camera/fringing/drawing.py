"""Drawing of colour fringing: displacement of red and blue from green, magnified."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright.plugin.drawing import Picture, label, line, mark_dot, path
from glasswright_camera.edges.repeats import main_plane, shared_discs
from glasswright_camera.fringing.reading import displacement_u
from glasswright_camera.plots import MARGIN, FrameView, arrow, legend

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]

MAGNIFICATIONS = (5, 10, 20, 50, 100, 200, 500, 1000, 2000)
LONGEST_UNITS = 30.0
"""Largest length of an arrow on the drawing."""


def choose_magnification(longest_px: float, scale: float) -> int:
    """Return the largest round magnification that keeps the longest arrow within its length."""
    fitting = [each for each in MAGNIFICATIONS if longest_px * scale * each <= LONGEST_UNITS]
    return fitting[-1] if fitting else MAGNIFICATIONS[0]


def draw_fringing(traces: tuple[Trace, ...]) -> list[Picture]:
    """Draw the displacement of red and blue from green at every disc; nothing for a sensor without colours."""
    first = traces[0]
    if not {"red", "green", "blue"} <= set(first.planes):
        return []
    repeats = shared_discs(traces, need="place")
    if not len(repeats.node):
        return []
    centre = repeats.stack(lambda t: t.centre_px).mean(axis=0)
    green = main_plane(first)
    shift = {name: centre[first.planes.index(name)] - centre[green] for name in ("red", "blue")}
    u = {
        name: np.sqrt((displacement_u(repeats, first.planes.index(name), green) ** 2).sum(axis=0)) / len(traces)
        for name in shift
    }
    view = FrameView(width_px=first.width_px, height_px=first.height_px)
    longest = max(float(np.hypot(*each.T).max()) for each in shift.values())
    times = choose_magnification(longest, view.scale)
    parts = _draw_arrows(view, centre[green], shift, u, times, repeats.node)
    title = f"Red and blue against green, ×{times}"
    described = (
        f"Each arrow points from a disc's centre in green to its centre in red or blue, {times} times magnified; "
        "it includes a shift common to the whole frame. ± is two standard uncertainties."
    )
    return [Picture(title, view.draw(*parts, below=40, name=title, marks=True), described)]


def _draw_arrows(
    view: FrameView, place_px: Array, shift: dict[str, Array], u: dict[str, Array], times: int, node: NDArray[np.int64]
) -> list[str]:
    places, radius = view.place(place_px), view.disc_radius(place_px)
    parts = []
    for name, kind in (("red", "two"), ("blue", "one")):
        ends = places + shift[name] * view.scale * times
        points = [point for start, end in zip(places, ends, strict=True) for point in arrow(start, end)]
        parts.append(path(points, f"line {kind} plain"))
    for k, (x, y) in enumerate(places):
        numbers = "; ".join(
            f"{name} {np.hypot(*shift[name][k]):.3f} ± {2 * float(np.hypot(*u[name][k])) / np.sqrt(2):.3f} pixel"
            for name in shift
        )
        tip = f"column {node[k, 0]}, row {node[k, 1]}: {numbers}"
        parts.append(mark_dot(float(x), float(y), "spot", radius, tip))
    bottom = view.bottom + 26
    one_px = next(each for each in (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01) if each * view.scale * times <= 120)
    length = one_px * view.scale * times
    parts.append(legend(MARGIN + 10, bottom, [("two plain", "red"), ("one plain", "blue")], apart=90))
    parts.append(line(400, bottom - 4, 400 + length, bottom - 4, "scale"))
    parts.append(label(392, bottom, f"{one_px:g} pixel", anchor="end"))
    return parts
