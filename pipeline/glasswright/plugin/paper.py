"""Fonts and text for printed documents, of the engine and of plugins.

DejaVu Sans has Latin, Greek and Cyrillic; a character that it lacks is written as its number.
"""

from __future__ import annotations

import hashlib
import io
import unicodedata
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from glasswright.errors import GlasswrightError

__all__ = ["BOLD", "MONO", "PLAIN", "PaperError", "clean_text", "register_fonts", "show_missing", "write_file"]

FILES: Final = {
    "GlasswrightSans": "DejaVuSans.ttf",
    "GlasswrightSans-Bold": "DejaVuSans-Bold.ttf",
    "GlasswrightMono": "DejaVuSansMono.ttf",
}
PLAIN, BOLD, MONO = FILES
LONGEST_TEXT: Final = 400
UNPRINTED: Final = ("Cc", "Cf", "Co", "Cs", "Cn", "Zl", "Zp")
"""Unicode categories that are invisible, or that change the direction of the text around them."""


class PaperError(GlasswrightError):
    """The document cannot be printed as requested; the message says what is possible."""

    exit_code = 2


class MissingFontError(GlasswrightError):
    """The font files of matplotlib are missing."""


def write_file(path: Path, data: bytes) -> None:
    """Write a file to be printed; its folder must exist.

    Raises
    ------
    PaperError
        If it cannot be written; the message gives the path and the reason.
    """
    try:
        path.write_bytes(data)
    except OSError as error:
        raise PaperError(f"{path}: cannot be written ({error.strerror or error}): choose another --out") from error


@cache
def register_fonts() -> str:
    """Register the fonts with reportlab, and return a short hash of their files."""
    spec = find_spec("matplotlib")
    folder = Path(spec.origin or "").parent / "mpl-data" / "fonts" / "ttf" if spec else Path()
    total = hashlib.sha256()
    for name, file in FILES.items():
        if not (folder / file).is_file():
            raise MissingFontError(f"{folder / file}: the font is missing: install matplotlib again")
        data = (folder / file).read_bytes()
        total.update(data)
        # from bytes, so that no path of this machine gets into a file
        pdfmetrics.registerFont(TTFont(name, io.BytesIO(data)))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)
    return total.hexdigest()[:12]


def name_drawing_tools() -> str:
    """Return the versions of everything that a record's bytes depend on."""
    return f"glasswright {version('glasswright')}, reportlab {version('reportlab')}, fonts {register_fonts()}"


def show_missing(text: str) -> str:
    """Return text with each character that the font lacks replaced by its number."""
    register_fonts()
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    return "".join(c if ord(c) in known else f"[U+{ord(c):04X}]" for c in text)


def clean_text(text: str) -> str:
    """Return a text on one line, with invisible characters as numbers, cut to `LONGEST_TEXT`.

    A ticket's texts come from outside; a mark that reverses the direction of writing could falsify a serial number.
    """
    one_line = " ".join(text.split())
    shown = "".join(f"[U+{ord(c):04X}]" if unicodedata.category(c) in UNPRINTED else c for c in one_line)
    return shown if len(shown) <= LONGEST_TEXT else f"{shown[: LONGEST_TEXT - 1]}…"
