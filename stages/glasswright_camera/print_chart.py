"""The lattice of discs on paper, true to scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from glasswright.paper import PaperError
from glasswright_camera.print_bars import STRIP_MM, draw_bars_across, draw_bars_down
from glasswright_camera.print_paper import EDGE_MM, Paper, Tile, Tiling, cut_picture
from glasswright_camera.print_pen import GREY, Pen

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright_camera.stand import ChartLayout

CLEAR_PITCHES: Final = 0.7
"""Free paper about the outermost centres, in pitches: an edge's reading needs it."""
FOOT_MM: Final = 8.0
"""Strip at the bottom for the words."""
ROUND_MM: Final = 0.1
SAME_SCALE: Final = 0.01
"""A print whose scale differs by less is the same chart, printed a little large or small."""
CROSS_MM: Final = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A chart with its strips, whatever sheets it is put on; millimetres from its upper left corner."""

    layout: ChartLayout
    width_mm: float
    height_mm: float
    first_mm: tuple[float, float]
    """Centre of column 0, row 0."""

    def place(self, column: float, row: float) -> tuple[float, float]:
        """Give where a node lies."""
        pitch = self.layout.pitch_mm
        return self.first_mm[0] + column * pitch, self.first_mm[1] + row * pitch


def scale_layout(layout: ChartLayout, pitch_mm: float, name: str) -> ChartLayout:
    """Give the same chart at another pitch, under another name if that makes it another chart."""
    scale = pitch_mm / layout.pitch_mm

    def size(value: float) -> float:
        return round(value * scale, 4)

    return replace(
        layout,
        name=layout.name if abs(scale - 1) <= SAME_SCALE else name,
        pitch_mm=round(pitch_mm, 4),
        disc_diameter_mm=size(layout.disc_diameter_mm),
        ring_hole_diameter_mm=size(layout.ring_hole_diameter_mm),
        large_diameter_mm=size(layout.large_diameter_mm),
    )


def fit_pitch(layout: ChartLayout, paper: Paper) -> float:
    """Give the largest pitch, in tenths of a millimetre, at which the chart and its strips go on one sheet."""
    width, height = paper.usable_mm
    across = (width - STRIP_MM) / (layout.columns - 1 + 2 * CLEAR_PITCHES)
    down = (height - STRIP_MM - FOOT_MM) / (layout.rows - 1 + 2 * CLEAR_PITCHES)
    # a hair less, lest rounding in the last bit takes a whole tenth
    return math.floor(min(across, down) / ROUND_MM + 1e-9) * ROUND_MM


def make_picture(layout: ChartLayout) -> Picture:
    """Lay out a chart at its own pitch.

    Raises
    ------
    PaperError
        If it is too small for the check bars.
    """
    pitch, clear = layout.pitch_mm, CLEAR_PITCHES * layout.pitch_mm
    width = STRIP_MM + (layout.columns - 1) * pitch + 2 * clear
    height = STRIP_MM + (layout.rows - 1) * pitch + 2 * clear + FOOT_MM
    if min(width, height) < 150:
        message = (
            f"the print would be {width:.0f} x {height:.0f} mm, too small for check bars of 100 mm: choose a pitch "
            f"above {pitch:g} mm"
        )
        raise PaperError(message)
    return Picture(layout=layout, width_mm=width, height_mm=height, first_mm=(STRIP_MM + clear, STRIP_MM + clear))


def draw_chart(layout: ChartLayout, paper: Paper, words: Sequence[str], *, tiled: bool) -> tuple[bytes, Tiling]:
    """Give the chart as PDF, and how it was cut.

    Parameters
    ----------
    layout
        At the pitch that is printed.
    words
        Lines for the strip at the bottom.
    tiled
        Whether several sheets may be used.

    Raises
    ------
    PaperError
        If it does not go on one sheet and is not to be tiled, or the sheets are too small for that too.
    """
    picture = make_picture(layout)
    usable = paper.usable_mm
    if not tiled and (picture.width_mm > usable[0] + 1e-6 or picture.height_mm > usable[1] + 1e-6):
        message = (
            f"{layout.name} at a pitch of {layout.pitch_mm:g} mm is {picture.width_mm:.0f} x "
            f"{picture.height_mm:.0f} mm with its strips, and {paper.name} holds {usable[0]:.0f} x {usable[1]:.0f} mm: "
            "use --tiled, larger paper, or leave --pitch-mm out"
        )
        raise PaperError(message)
    tiling = cut_picture((picture.width_mm, picture.height_mm), *_gaps(picture), paper)
    pen = Pen(f"{layout.name}, pitch {layout.pitch_mm:g} mm", paper.width_mm, paper.height_mm)
    for index, tile in enumerate(tiling.tiles):
        if index:
            pen.next_sheet()
        _draw_sheet(pen, picture, tiling, tile, paper, words)
    return pen.finish(), tiling


def _gaps(picture: Picture) -> tuple[list[float], list[float]]:
    """Give where seams may run: half-way between columns, and between rows."""
    layout = picture.layout
    across = [picture.place(column + 0.5, 0)[0] for column in range(layout.columns - 1)]
    return across, [picture.place(0, row + 0.5)[1] for row in range(layout.rows - 1)]


def _draw_sheet(pen: Pen, picture: Picture, tiling: Tiling, tile: Tile, paper: Paper, words: Sequence[str]) -> None:
    """Show one part of the picture in the middle of a sheet."""
    left = (paper.width_mm - tile.width_mm) / 2
    top = (paper.height_mm - tile.height_mm) / 2
    with pen.window(tile.left_mm, tile.top_mm, tile.width_mm, tile.height_mm, (left, top)):
        _draw_picture(pen, picture, words)
        _draw_crosses(pen, picture, tiling)
    if len(tiling.tiles) > 1:
        place = f"{picture.layout.name}: sheet {tile.name} of {tiling.columns} x {tiling.rows}"
        pen.text(left, paper.height_mm - EDGE_MM / 2, place, size=2.4, grey=GREY)


def _draw_picture(pen: Pen, picture: Picture, words: Sequence[str]) -> None:
    layout = picture.layout
    marks = {(mark.column, mark.row): mark.kind for mark in layout.marks}
    for row in range(layout.rows):
        for column in range(layout.columns):
            kind = marks.get((column, row))
            diameter = layout.large_diameter_mm if kind == "large" else layout.disc_diameter_mm
            hole = layout.ring_hole_diameter_mm if kind == "ring" else 0.0
            pen.disc(*picture.place(column, row), diameter, hole)
    draw_bars_across(pen, STRIP_MM + 4, 0)
    draw_bars_down(pen, 0, STRIP_MM + 4)
    for index, line in enumerate(words):
        pen.text(STRIP_MM, picture.height_mm - FOOT_MM + 2.8 + 2.9 * index, line, size=2.2)


def _draw_crosses(pen: Pen, picture: Picture, tiling: Tiling) -> None:
    """Draw a cross wherever a seam passes between four discs, and at its ends: two at least on every sheet's side.

    Both sheets of a seam show it, and it lies in the same place.
    """
    layout = picture.layout
    all_x = [picture.place(column - 0.5, 0)[0] for column in range(layout.columns + 1)]
    all_y = [picture.place(0, row - 0.5)[1] for row in range(layout.rows + 1)]
    crosses = [(x, y) for x in tiling.seams_x_mm for y in all_y]
    crosses += [(x, y) for x in all_x for y in tiling.seams_y_mm]
    for x, y in dict.fromkeys(crosses):
        pen.line(x - CROSS_MM, y, x + CROSS_MM, y)
        pen.line(x, y - CROSS_MM, x, y + CROSS_MM)
