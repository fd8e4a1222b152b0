"""Parts of drawings: the frame with its outline and places, the shaded scale, arrows, legends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright.plugin.drawing import SHADES, Plot, Scale, canvas, dot, element, escape_text, label, line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

WIDTH = 560.0
MARGIN = 14.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameView:
    """A frame scaled onto a drawing."""

    width_px: int
    height_px: int

    @property
    def scale(self) -> float:
        """Units of the drawing per sensor pixel."""
        return (WIDTH - 2 * MARGIN) / self.width_px

    @property
    def bottom(self) -> float:
        """Lower end of the frame on the drawing."""
        return MARGIN + self.height_px * self.scale

    def place(self, points_px: Array) -> Array:
        """Return places on the drawing, (points, 2), of sensor pixels."""
        return MARGIN + (np.asarray(points_px) + 0.5) * self.scale

    def outline(self) -> str:
        """Draw the frame's border and its centre."""
        x, y = WIDTH / 2, (MARGIN + self.bottom) / 2
        border = element(
            "rect", x=MARGIN, y=MARGIN, width=WIDTH - 2 * MARGIN, height=self.bottom - MARGIN, class_="frame"
        )
        return border + line(x - 5, y, x + 5, y, "axis") + line(x, y - 5, x, y + 5, "axis")

    def disc_radius(self, points_px: Array) -> float:
        """Return the radius at which neighbouring discs just do not touch on the drawing."""
        if len(points_px) < 2:
            return 8.0
        apart = np.linalg.norm(points_px[:, None] - points_px[None, :], axis=2)
        np.fill_diagonal(apart, np.inf)
        return float(min(np.median(apart.min(axis=1)) * self.scale * 0.46, 18.0))

    def draw(self, *parts: str, below: float, name: str, marks: bool = False) -> str:
        """Return the whole drawing, with `below` units of space below the frame."""
        return canvas(WIDTH, self.bottom + below, self.outline(), *parts, label=name, marks=marks)


def shade_bar(top: float, low: float, high: float, name: str) -> str:
    """Draw the shaded scale under a map, with its numbers and its unit."""
    left, width = MARGIN + 92, 270.0
    each = width / SHADES
    parts = [
        element("rect", x=left + k * each, y=top, width=each + 0.3, height=12.0, class_=f"shade{k}")
        for k in range(SHADES)
    ]
    scale = Scale(low=low, high=high, start=left, end=left + width)
    parts += [label(scale(value), top + 27, scale.write(value)) for value in scale.ticks()]
    parts.append(label(MARGIN, top + 10, name, anchor="start", class_="name"))
    return "".join(parts)


def arrow(start: Sequence[float], end: Sequence[float]) -> list[tuple[float, float]]:
    """Return the points of an arrow with its head; none if it is short.

    The last point is NaN, so that many arrows can be joined to one path.
    """
    x, y, to_x, to_y = float(start[0]), float(start[1]), float(end[0]), float(end[1])
    along = np.array([to_x - x, to_y - y])
    length = float(np.hypot(*along))
    if length < 0.3:
        return []
    along = along / length * min(5.0, length * 0.5)
    side = np.array([-along[1], along[0]]) * 0.5
    left, right = np.array([to_x, to_y]) - along + side, np.array([to_x, to_y]) - along - side
    tip, away = (to_x, to_y), (float("nan"), float("nan"))
    return [(x, y), tip, (float(left[0]), float(left[1])), (float(right[0]), float(right[1])), tip, away]


def legend(x: float, y: float, entries: Sequence[tuple[str, str]], *, apart: float = 130.0) -> str:
    """Draw a legend of (class, text) entries, each with a piece of its line, or a dot if its class is a dot's."""
    parts = []
    for k, (class_, text) in enumerate(entries):
        left = x + k * apart
        is_point = class_.startswith(("fill", "hollow"))
        shape = dot(left + 12, y - 4, class_) if is_point else line(left, y - 4, left + 24, y - 4, f"line {class_}")
        parts.append(shape + element("text", escape_text(text), x=left + 30, y=y, class_="tick"))
    return "".join(parts)


def plot_canvas(plot: Plot, *parts: str, name: str, marks: bool = True) -> str:
    """Return a drawing that holds one plot, with room below for the names of its axis and a key."""
    return canvas(WIDTH, plot.y.start + 74, *parts, label=name, marks=marks)
