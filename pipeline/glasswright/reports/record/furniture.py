"""Fixed elements of a record's pages: watermarks, footer, and the QR code on the first page."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from PIL import Image
from reportlab.graphics import renderPDF
from reportlab.graphics.barcode.qr import QrCodeWidget
from reportlab.graphics.shapes import Drawing
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfdoc import PDFImageXObject
from reportlab.pdfbase.pdfmetrics import stringWidth

from glasswright.config.stand.logo import LOGO_FORMATS
from glasswright.plugin.paper import BOLD, MONO, PLAIN, show_missing
from glasswright.reports.record.content import NOT_ACCREDITED

if TYPE_CHECKING:
    from glasswright.reports.record.content import RecordContent

MARGIN: Final = 16 * mm
FOOT: Final = 20 * mm
CODE_SIZE: Final = 25 * mm
ACROSS_GREY: Final = 0.88
"""Light enough for text on top, dark enough to survive a copier."""
FOOT_SIZE: Final = 6.5
LARGEST_ACROSS: Final = 54.0
LOGO_HEIGHT: Final = CODE_SIZE
LOGO_WIDTH: Final = 50 * mm
LOGO_GAP: Final = 6 * mm
MOST_LOGO_PIXELS: Final = 600
"""Largest number of pixels along the longer side, to limit the size of the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Furniture:
    """The fixed elements of one record's pages."""

    content: RecordContent
    fingerprint: str
    logo: bytes
    """PNG or JPEG file for the first page; empty for none."""
    pages: int
    """Number of pages; 0 while unknown."""

    def draw(self, canvas: Any, document: Any) -> None:  # noqa: ANN401 - reportlab's classes have no types
        """Draw the elements, before the page's text."""
        width, height = document.pagesize
        canvas.saveState()
        self._draw_across(canvas, width, height)
        self._draw_foot(canvas, width)
        if canvas.getPageNumber() == 1:
            self._draw_code(canvas, width, height)
            self._draw_logo(canvas, width, height)
        canvas.restoreState()

    def _draw_across(self, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
        angle = math.atan2(height, width)
        canvas.setFillGray(ACROSS_GREY)
        lines = self.content.across
        for place, text in enumerate(lines):
            size = min(LARGEST_ACROSS, 0.78 * math.hypot(width, height) / stringWidth(text, BOLD, 1.0))
            canvas.saveState()
            canvas.translate(width / 2, height / 2)
            canvas.rotate(math.degrees(angle))
            canvas.setFont(BOLD, size)
            canvas.drawCentredString(0, (len(lines) / 2 - place - 1) * 1.6 * size + 0.3 * size, text)
            canvas.restoreState()

    def _draw_foot(self, canvas: Any, width: float) -> None:  # noqa: ANN401
        facts = dict(self.content.facts)
        canvas.setFillGray(0.0)
        canvas.setLineWidth(0.4)
        canvas.line(MARGIN, FOOT - 4 * mm, width - MARGIN, FOOT - 4 * mm)
        canvas.setFont(PLAIN, FOOT_SIZE)
        short = show_missing(f"{self.content.title}, ticket {facts['Ticket'][:40]}. {NOT_ACCREDITED}")
        canvas.drawString(MARGIN, FOOT - 7.5 * mm, short)
        page = f"page {canvas.getPageNumber()} of {self.pages or 1}"
        canvas.drawRightString(width - MARGIN, FOOT - 7.5 * mm, page)
        canvas.setFont(MONO, FOOT_SIZE)
        canvas.drawString(MARGIN, FOOT - 11 * mm, f"fingerprint {self.fingerprint}")

    def _draw_code(self, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
        code = QrCodeWidget(f"glasswright record {self.fingerprint}", barLevel="M", barBorder=0)
        left, low, right, high = code.getBounds()
        scale = CODE_SIZE / max(right - left, high - low)
        drawing = Drawing(CODE_SIZE, CODE_SIZE, transform=[scale, 0, 0, scale, 0, 0])
        drawing.add(code)
        renderPDF.draw(drawing, canvas, width - MARGIN - CODE_SIZE, height - MARGIN - CODE_SIZE)

    def _draw_logo(self, canvas: Any, width: float, height: float) -> None:  # noqa: ANN401
        """Draw the logo beside the code."""
        if not self.logo:
            return
        image = PDFImageXObject("logo")
        image.bitsPerComponent = 8
        with Image.open(io.BytesIO(self.logo), formats=LOGO_FORMATS) as picture:
            if picture.format == "JPEG":
                _fill_jpeg(image, picture, self.logo)
            else:
                _fill_pixels(image, picture)
        canvas._doc.addForm("logo", image)
        factor = min(LOGO_HEIGHT / image.height, LOGO_WIDTH / image.width)
        canvas.saveState()
        right = width - MARGIN - CODE_SIZE - LOGO_GAP
        canvas.translate(right - factor * image.width, height - MARGIN - factor * image.height)
        canvas.scale(factor * image.width, factor * image.height)
        canvas.doForm("logo")
        canvas.restoreState()


def _fill_jpeg(image: PDFImageXObject, picture: Image.Image, data: bytes) -> None:
    """Put a JPEG file into a PDF image as it is; the program that shows the PDF decodes it."""
    image.width, image.height = picture.size
    image.colorSpace = "DeviceGray" if picture.mode == "L" else "DeviceRGB"
    image._filters = ("ASCII85Decode", "DCTDecode")
    image.streamContent = _encode(data)


def _fill_pixels(image: PDFImageXObject, picture: Image.Image) -> None:
    """Put the pixels on white into a PDF image, uncompressed, because compression depends on the installed zlib."""
    paper = Image.new("RGBA", picture.size, "white")
    paper.alpha_composite(picture.convert("RGBA"))
    scale = min(1.0, MOST_LOGO_PIXELS / max(paper.size))
    flat = paper.convert("RGB").resize((max(1, round(paper.width * scale)), max(1, round(paper.height * scale))))
    image.width, image.height = flat.size
    image.colorSpace = "DeviceRGB"
    image._filters = ("ASCII85Decode",)
    image.streamContent = _encode(flat.tobytes())


def _encode(data: bytes) -> str:
    return base64.a85encode(data, wrapcol=96).decode() + "~>"
