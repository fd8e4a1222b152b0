"""The lattice of discs on paper: its size, and the places of its parts."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any, Final, TypeVar

from glasswright.plugin.paper import PaperError
from glasswright_camera.printing.bars import STRIP_MM
from glasswright_camera.stand import ChartLayout, RampLayout

if TYPE_CHECKING:
    from glasswright_camera.printing.paper import Paper

PrintedLayout = ChartLayout | RampLayout
AnyLayout = TypeVar("AnyLayout", ChartLayout, RampLayout)

CLEAR_PITCHES: Final = 0.7
"""Blank paper about the outermost centres, in pitches, needed for measuring their edges."""
FOOT_MM: Final = 8.0
"""Height of the strip at the bottom for text."""
LABEL_MM: Final = 20.0
"""Width of the strip at the right side of a ramp for the labels of its ends and its band."""
LEAST_MM: Final = 135.0
"""Smallest side of a picture, with room for the bars and their labels."""
ROUND_MM: Final = 0.1
SAME_SCALE: Final = 0.01
"""Relative difference of scale up to which a print is the same chart."""
UNSEEN: Final = {"contrast_u_frac": 0.1}
"""Values of an unmeasured print."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A chart with its strips, before division into sheets; millimetres from its upper left corner."""

    layout: PrintedLayout
    width_mm: float
    height_mm: float
    first_mm: tuple[float, float]
    """Centre of column 0, row 0."""

    def place(self, column: float, row: float) -> tuple[float, float]:
        """Return the place of a node."""
        pitch = self.layout.pitch_mm
        return self.first_mm[0] + column * pitch, self.first_mm[1] + row * pitch

    def gaps(self) -> tuple[list[float], list[float]]:
        """Return possible places of seams: half-way between columns, and between rows, without slanted edges."""
        across = [self.place(column + 0.5, 0)[0] for column in range(self.layout.columns - 1)]
        down = [self.place(0, row + 0.5)[1] for row in range(self.layout.rows - 1)]
        boxes = self.boxes()
        free_x = [x for x in across if not any(left < x < right for left, _, right, _ in boxes)]
        return free_x, [y for y in down if not any(top < y < low for _, top, _, low in boxes)]

    def polygons(self) -> list[list[tuple[float, float]]]:
        """Return the corners of each figure with slanted edges."""
        x, y = self.place((self.layout.columns - 1) / 2, (self.layout.rows - 1) / 2)
        figures = self.layout.edges if isinstance(self.layout, ChartLayout) else ()
        return [[(x + dx, y + dy) for dx, dy in figure.corners_mm] for figure in figures]

    def boxes(self) -> list[tuple[float, float, float, float]]:
        """Return the area to keep blank about each such figure: left, top, right, bottom."""
        figures = self.layout.edges if isinstance(self.layout, ChartLayout) else ()
        found = []
        for figure, corners in zip(figures, self.polygons(), strict=True):
            x, y = zip(*corners, strict=True)
            clear = figure.clear_mm
            found.append((min(x) - clear, min(y) - clear, max(x) + clear, max(y) + clear))
        return found


def diameter_of(layout: PrintedLayout, column: int, row: int) -> tuple[float, float]:
    """Return the diameter of a node's disc and of the hole in it (0 for none)."""
    kind = {(mark.column, mark.row): mark.kind for mark in layout.marks}.get((column, row))
    if kind == "large":
        return layout.large_diameter_mm, 0.0
    is_band = isinstance(layout, RampLayout) and row == layout.rows // 2
    diameter = layout.band_diameter_mm if is_band and isinstance(layout, RampLayout) else layout.disc_diameter_mm
    return diameter, layout.ring_hole_diameter_mm if kind == "ring" else 0.0


def scale_layout(layout: AnyLayout, pitch_mm: float, name: str) -> AnyLayout:
    """Return the same print at another pitch, under another name if its scale differs by more than SAME_SCALE.

    Values measured on an earlier print, such as the uncertainty of its contrast, are reset.
    """
    scale = pitch_mm / layout.pitch_mm
    changed: Any = {field.name: _scaled(getattr(layout, field.name), field.name, scale) for field in fields(layout)}
    changed |= {each: value for each, value in UNSEEN.items() if each in changed}
    changed["name"] = layout.name if abs(scale - 1) <= SAME_SCALE else name
    return replace(layout, **changed)


def _scaled(value: Any, name: str, scale: float) -> Any:  # noqa: ANN401 - a field of any kind
    """Return a value with every length in it scaled."""
    if isinstance(value, tuple):
        return tuple(_scaled(each, name, scale) for each in value)
    if is_dataclass(value) and not isinstance(value, type):
        inner = {field.name: _scaled(getattr(value, field.name), field.name, scale) for field in fields(value)}
        return replace(value, **inner)
    return round(value * scale, 4) if name.endswith("_mm") else value


def fit_pitch(layout: PrintedLayout, paper: Paper) -> float:
    """Return the largest pitch, in tenths of a millimetre, at which the print and its strips fit on one sheet."""
    width, height = paper.usable_mm
    across = (width - STRIP_MM - _label_mm(layout)) / (layout.columns - 1 + 2 * CLEAR_PITCHES)
    down = (height - STRIP_MM - FOOT_MM) / (layout.rows - 1 + 2 * CLEAR_PITCHES)
    # a little more, so that rounding in the last bit does not lose a tenth
    return math.floor(min(across, down) / ROUND_MM + 1e-9) * ROUND_MM


def _label_mm(layout: PrintedLayout) -> float:
    return LABEL_MM if isinstance(layout, RampLayout) else 0.0


def make_picture(layout: PrintedLayout) -> Picture:
    """Lay out a print at its own pitch.

    Raises
    ------
    PaperError
        If it is too small for the check bars.
    """
    pitch, clear = layout.pitch_mm, CLEAR_PITCHES * layout.pitch_mm
    width = STRIP_MM + (layout.columns - 1) * pitch + 2 * clear + _label_mm(layout)
    height = STRIP_MM + (layout.rows - 1) * pitch + 2 * clear + FOOT_MM
    if min(width, height) < LEAST_MM:
        message = (
            f"the print would be {width:.0f} x {height:.0f} mm, too small for check bars of 100 mm: choose a pitch "
            f"above {pitch:g} mm"
        )
        raise PaperError(message)
    return Picture(layout=layout, width_mm=width, height_mm=height, first_mm=(STRIP_MM + clear, STRIP_MM + clear))
