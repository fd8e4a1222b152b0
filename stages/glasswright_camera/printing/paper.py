"""Sizes of paper, and how a picture larger than a sheet is cut into sheets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from glasswright.plugin.paper import PaperError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

SIZES_MM: Final[Mapping[str, tuple[float, float]]] = {
    # ISO 216
    "A4": (210.0, 297.0),
    "A3": (297.0, 420.0),
    "A2": (420.0, 594.0),
    "A1": (594.0, 841.0),
    "A0": (841.0, 1189.0),
    # ANSI/ASME Y14.1: A and B
    "Letter": (215.9, 279.4),
    "Tabloid": (279.4, 431.8),
}
"""Upright width and height."""
EDGE_MM: Final = 6.0
"""Margin along each edge of a sheet on which most printers cannot print."""
OVERLAP_MM: Final = 15.0
"""Overlap of neighbouring sheets, for glue."""

Orientation = Literal["auto", "landscape", "portrait"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A sheet in its orientation."""

    name: str
    width_mm: float
    height_mm: float

    @property
    def usable_mm(self) -> tuple[float, float]:
        """Width and height of the printable area."""
        return self.width_mm - 2 * EDGE_MM, self.height_mm - 2 * EDGE_MM


def choose_paper(name: str, orientation: Orientation, *, is_wide: bool) -> Paper:
    """Return a sheet of a size, in the orientation given or that of the picture."""
    short, long = SIZES_MM[name]
    lies = orientation == "landscape" or (orientation == "auto" and is_wide)
    width, height = (long, short) if lies else (short, long)
    return Paper(name=name, width_mm=width, height_mm=height)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """The part of a picture that one sheet shows, in the picture's millimetres from its upper left corner."""

    column: int
    row: int
    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float

    @property
    def name(self) -> str:
        """Return the sheet's name: `B3` is the second column, third row."""
        return f"{chr(ord('A') + self.column)}{self.row + 1}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiling:
    """Division of a picture into sheets."""

    tiles: tuple[Tile, ...]
    seams_x_mm: tuple[float, ...]
    """Places where sheets side by side meet."""
    seams_y_mm: tuple[float, ...]

    @property
    def columns(self) -> int:
        """Number of sheets side by side."""
        return len(self.seams_x_mm) + 1

    @property
    def rows(self) -> int:
        """Number of sheets one above another."""
        return len(self.seams_y_mm) + 1


def cut_picture(
    size_mm: tuple[float, float], places_x_mm: Sequence[float], places_y_mm: Sequence[float], paper: Paper
) -> Tiling:
    """Divide a picture into as few sheets as its places for seams allow.

    Parameters
    ----------
    size_mm
        Width and height of the picture.
    places_x_mm, places_y_mm
        Possible places of seams, in ascending order: between the discs, so that no edge is cut.

    Raises
    ------
    PaperError
        If no sheet reaches from one such place to the next.
    """
    usable = paper.usable_mm
    seams_x = _cut(size_mm[0], places_x_mm, usable[0], paper)
    seams_y = _cut(size_mm[1], places_y_mm, usable[1], paper)
    half = OVERLAP_MM / 2
    tiles = tuple(
        Tile(column=column, row=row, left_mm=left, top_mm=top, width_mm=right - left, height_mm=low - top)
        for row, (top, low) in enumerate(_spans(size_mm[1], seams_y, half))
        for column, (left, right) in enumerate(_spans(size_mm[0], seams_x, half))
    )
    return Tiling(tiles=tiles, seams_x_mm=seams_x, seams_y_mm=seams_y)


def _cut(length: float, places: Sequence[float], usable: float, paper: Paper) -> tuple[float, ...]:
    """Return the seams, each at the last place that the sheet before it reaches."""
    seams: list[float] = []
    start = 0.0
    while length - start > usable:
        reached = [place for place in places if start + OVERLAP_MM < place <= start + usable - OVERLAP_MM / 2]
        if not reached:
            message = (
                f"{paper.name} is too small: a sheet of {paper.width_mm:g} x {paper.height_mm:g} mm does not reach "
                "from one gap between the discs to the next: take larger paper, or a smaller pitch"
            )
            raise PaperError(message)
        seams.append(reached[-1])
        start = reached[-1] - OVERLAP_MM / 2
    return tuple(seams)


def _spans(length: float, seams: Sequence[float], half: float) -> list[tuple[float, float]]:
    starts = [0.0, *(seam - half for seam in seams)]
    ends = [*(seam + half for seam in seams), length]
    return list(zip(starts, ends, strict=True))
