"""Drawing of a flat field: contours of the light lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from contourpy import contour_generator

from glasswright.plugin.drawing import Picture, Scale, element, escape_text, label, path, tick_step
from glasswright_camera.plots import FrameView

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.light.flat import FlatField

    Array = NDArray[np.float64]

LEAST_SPAN = 60.0
"""Closed contours smaller than this on the drawing are noise and not drawn."""
NAMES = {"flat": "Light lost over the frame", "panel": "Evenness of the panel"}


def loss_of(field: FlatField) -> Array:
    """Return the light lost against the frame's centre in EV, (rows, columns)."""
    plane = field.planes.index("green") if "green" in field.planes else 0
    gain = np.asarray(field.gain[plane], dtype=np.float64)
    return np.asarray(-np.log2(np.maximum(gain, 1e-6)))


def draw_flat(field: FlatField) -> list[Picture]:
    """Draw labelled contours of equal loss; nothing for a panel, which is no measure of the lens."""
    if field.role == "panel":
        return []
    loss = loss_of(field)
    view = FrameView(width_px=field.width_px, height_px=field.height_px)
    step = tick_step(max(float(np.ptp(loss)), 0.02), 8)
    scale = Scale(low=float(loss.min()), high=max(float(loss.max()), float(loss.min()) + step), start=0, end=1)
    parts: list[str] = []
    names: list[str] = []
    taken: list[tuple[float, float]] = []
    contours = contour_generator(z=loss)
    for level in scale.ticks(8):
        for contour in contours.lines(level):
            points = view.place((np.asarray(contour) + 0.5) * field.block_px - 0.5)
            if np.allclose(points[0], points[-1]) and float(np.ptp(points, axis=0).max()) < LEAST_SPAN:
                continue
            parts.append(path(_inside(view, points), "line one plain"))
            if len(points) > 8:
                place = _choose_place(view, points, taken)
                if place is not None:
                    taken.append(place)
                    names.append(_name(*place, scale.write(level, 8)))
    plane = "green" if "green" in field.planes else field.planes[0]
    parts += names
    corners = [float(loss[0, 0]), float(loss[0, -1]), float(loss[-1, 0]), float(loss[-1, -1])]
    parts.append(label(280, view.bottom + 24, f"EV below the centre; outermost blocks {_write(corners)}"))
    title = NAMES.get(field.role, "Evenness of the field")
    described = (
        f"Contours of equal loss in EV, {plane} plane, {field.shot_count} shot{'s' if field.shot_count != 1 else ''}, "
        "of the smooth field, before the source's own unevenness is divided out."
    )
    return [Picture(title, view.draw(*parts, below=38, name=title), described)]


def _write(values: list[float]) -> str:
    return ", ".join(f"{value:.2f}" for value in values)


def _inside(view: FrameView, points: Array) -> list[tuple[float, float]]:
    """Return fewer points of a contour, clipped to the frame."""
    kept = points[:: max(1, len(points) // 120)]
    kept = np.vstack([kept, points[-1:]])
    low = view.place(np.array([[-0.5, -0.5]]))[0]
    high = view.place(np.array([[view.width_px - 0.5, view.height_px - 0.5]]))[0]
    return [(float(x), float(y)) for x, y in np.clip(kept, low, high)]


def _choose_place(view: FrameView, points: Array, taken: Sequence[tuple[float, float]]) -> tuple[float, float] | None:
    """Return the place of a contour's label, its lowest point in the frame clear of other labels; None without one."""
    fits = points[points[:, 1] < view.bottom - 12]
    places = [(min(max(float(x), 40.0), 520.0), float(y)) for x, y in sorted(fits if len(fits) else points, key=_by_y)]
    clear = (each for each in places if all(abs(each[0] - x) > 34 or abs(each[1] - y) > 17 for x, y in taken))
    return next(clear, None)


def _by_y(point: Array) -> float:
    return -float(point[1])


def _name(x: float, y: float, text: str) -> str:
    """Draw a contour's label on a background."""
    ground = element("rect", x=x - 15, y=y - 8, width=30.0, height=15.0, class_="ground")
    return ground + element("text", escape_text(text), x=x, y=y + 4, class_="tick", text_anchor="middle")
