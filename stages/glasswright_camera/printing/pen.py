"""Vector drawing on sheets, in millimetres, x right and y down from the upper left corner."""

from __future__ import annotations

import io
import math
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from reportlab.pdfgen.canvas import Canvas

from glasswright.plugin.paper import PLAIN, clean_text, register_fonts, show_missing

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MM: Final = 72 / 25.4
"""Points in a millimetre."""
ARCS: Final = 8
"""Cubic pieces of a circle: eight are within 4e-6 of its radius, the common four within 3e-4."""
GREY: Final = 0.55


class Pen:
    """A PDF file being drawn; the same drawing gives the same bytes."""

    def __init__(self, title: str, width_mm: float, height_mm: float) -> None:
        """Begin the first sheet."""
        register_fonts()
        self._file = io.BytesIO()
        self._canvas: Any = Canvas(self._file, pagesize=(width_mm * MM, height_mm * MM), invariant=1)
        self._canvas.setTitle(show_missing(clean_text(title)))
        self._canvas.setCreator("glasswright")
        # viewers then offer printing at true size first (ISO 32000-1, 12.2)
        self._canvas.setViewerPreference("PrintScaling", "None")
        self._height_mm = height_mm
        self._begin()

    def _begin(self) -> None:
        self._canvas.translate(0, self._height_mm * MM)
        self._canvas.scale(MM, -MM)

    def next_sheet(self) -> None:
        """Begin another sheet of the same size."""
        self._canvas.showPage()
        self._begin()

    def finish(self) -> bytes:
        """Return the PDF."""
        self._canvas.showPage()
        self._canvas.save()
        return self._file.getvalue()

    @contextmanager
    def window(self, left: float, top: float, width: float, height: float, to: tuple[float, float]) -> Iterator[None]:
        """Draw only a part of the picture, with its upper left corner at `to` on the sheet."""
        self._canvas.saveState()
        self._canvas.translate(to[0] - left, to[1] - top)
        path = self._canvas.beginPath()
        path.rect(left, top, width, height)
        self._canvas.clipPath(path, stroke=0, fill=0)
        yield
        self._canvas.restoreState()

    def disc(self, x: float, y: float, diameter: float, hole: float = 0.0) -> None:
        """Draw a black disc, with a hole through which the paper shows."""
        path = self._canvas.beginPath()
        _add_circle(path, x, y, diameter / 2)
        if hole > 0:
            _add_circle(path, x, y, hole / 2)
        self._canvas.setFillGray(0.0)
        self._canvas.drawPath(path, stroke=0, fill=1, fillMode=0)

    def polygon(self, corners: Sequence[tuple[float, float]]) -> None:
        """Fill a polygon with black."""
        path = self._canvas.beginPath()
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        path.close()
        self._canvas.setFillGray(0.0)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def line(self, x1: float, y1: float, x2: float, y2: float, *, thick: float = 0.15, grey: float = 0.0) -> None:
        """Draw a line."""
        self._canvas.setStrokeGray(grey)
        self._canvas.setLineWidth(thick)
        self._canvas.line(x1, y1, x2, y2)

    def box(self, x: float, y: float, size: float) -> None:
        """Draw an empty square to tick."""
        self._canvas.setStrokeGray(0.0)
        self._canvas.setLineWidth(0.25)
        self._canvas.rect(x, y, size, size, stroke=1, fill=0)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 2.6,
        font: str = PLAIN,
        grey: float = 0.0,
        turn: float = 0.0,
    ) -> None:
        """Write one line of plain text from the start of its base line, turned clockwise by degrees."""
        self._canvas.saveState()
        self._canvas.translate(x, y)
        self._canvas.rotate(turn)
        self._canvas.scale(1, -1)
        self._canvas.setFillGray(grey)
        self._canvas.setFont(font, size)
        self._canvas.drawString(0, 0, show_missing(clean_text(text)))
        self._canvas.restoreState()


def _add_circle(path: Any, x: float, y: float, radius: float) -> None:  # noqa: ANN401 - reportlab's own, untyped
    step = 2 * math.pi / ARCS
    reach = 4 / 3 * math.tan(step / 4) * radius
    path.moveTo(x + radius, y)
    for arc in range(ARCS):
        (c1, s1), (c2, s2) = ((math.cos(a), math.sin(a)) for a in (arc * step, (arc + 1) * step))
        path.curveTo(
            x + radius * c1 - reach * s1,
            y + radius * s1 + reach * c1,
            x + radius * c2 + reach * s2,
            y + radius * s2 - reach * c2,
            x + radius * c2,
            y + radius * s2,
        )
    path.close()
