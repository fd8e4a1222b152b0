"""The lattice of discs on paper, true to scale."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright.plugin.paper import PaperError
from glasswright_camera.printing.bars import STRIP_MM, draw_bars_across, draw_bars_down
from glasswright_camera.printing.paper import EDGE_MM, Paper, Tile, Tiling, cut_picture
from glasswright_camera.printing.pen import GREY, Pen
from glasswright_camera.printing.picture import FOOT_MM, LABEL_MM, Picture, PrintedLayout, diameter_of, make_picture
from glasswright_camera.stand import RampLayout

if TYPE_CHECKING:
    from collections.abc import Sequence

CROSS_MM: Final = 4.0


def draw_chart(layout: PrintedLayout, paper: Paper, foot_lines: Sequence[str], *, tiled: bool) -> tuple[bytes, Tiling]:
    """Return the chart as PDF, and its division into sheets.

    Parameters
    ----------
    layout
        The layout at the printed pitch.
    foot_lines
        Text for the strip at the bottom.
    tiled
        Whether several sheets may be used.

    Raises
    ------
    PaperError
        If it does not fit on one sheet and `tiled` is false, or the sheets are too small for tiling.
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
    tiling = cut_picture((picture.width_mm, picture.height_mm), *picture.gaps(), paper)
    pen = Pen(f"{layout.name}, pitch {layout.pitch_mm:g} mm", paper.width_mm, paper.height_mm)
    for index, tile in enumerate(tiling.tiles):
        if index:
            pen.next_sheet()
        _draw_sheet(pen, picture, tiling, tile, paper, foot_lines)
    return pen.finish(), tiling


def _draw_sheet(
    pen: Pen, picture: Picture, tiling: Tiling, tile: Tile, paper: Paper, foot_lines: Sequence[str]
) -> None:
    """Draw one part of the picture in the middle of a sheet."""
    left = (paper.width_mm - tile.width_mm) / 2
    top = (paper.height_mm - tile.height_mm) / 2
    with pen.window(tile.left_mm, tile.top_mm, tile.width_mm, tile.height_mm, (left, top)):
        _draw_picture(pen, picture, foot_lines)
        _draw_crosses(pen, picture, tiling)
    if len(tiling.tiles) > 1:
        place = f"{picture.layout.name}: sheet {tile.name} of {tiling.columns} x {tiling.rows}"
        pen.text(left, paper.height_mm - EDGE_MM / 2, place, size=2.4, grey=GREY)


def _draw_picture(pen: Pen, picture: Picture, foot_lines: Sequence[str]) -> None:
    layout = picture.layout
    for row in range(layout.rows):
        for column in range(layout.columns):
            pen.disc(*picture.place(column, row), *diameter_of(layout, column, row))
    for corners in picture.polygons():
        pen.polygon(corners)
    draw_bars_across(pen, STRIP_MM + 4, 0)
    draw_bars_down(pen, 0, STRIP_MM + 4)
    if isinstance(layout, RampLayout):
        _name_ends(pen, picture)
    for index, line in enumerate(foot_lines):
        pen.text(STRIP_MM, picture.height_mm - FOOT_MM + 2.8 + 2.9 * index, line, size=2.2)


def _name_ends(pen: Pen, picture: Picture) -> None:
    """Label the ends of a ramp and its focusing band."""
    layout = picture.layout
    left = picture.width_mm - LABEL_MM
    for row, text in ((0, "far end"), (layout.rows // 2, "focus here"), (layout.rows - 1, "near end")):
        _, y = picture.place(0, row)
        pen.line(left, y, left + 3, y, thick=0.3)
        pen.text(left + 4, y + 1, text, size=2.6)


def _draw_crosses(pen: Pen, picture: Picture, tiling: Tiling) -> None:
    """Draw a cross wherever a seam passes between four discs, and at its ends: at least two on every side of a sheet.

    Both sheets of a seam show it in the same place.
    """
    layout = picture.layout
    all_x = [picture.place(column - 0.5, 0)[0] for column in range(layout.columns + 1)]
    all_y = [picture.place(0, row - 0.5)[1] for row in range(layout.rows + 1)]
    crosses = [(x, y) for x in tiling.seams_x_mm for y in all_y]
    crosses += [(x, y) for x in all_x for y in tiling.seams_y_mm]
    for x, y in dict.fromkeys(crosses):
        if any(left < x < right and top < y < low for left, top, right, low in picture.boxes()):
            continue
        pen.line(x - CROSS_MM, y, x + CROSS_MM, y)
        pen.line(x, y - CROSS_MM, x, y + CROSS_MM)
