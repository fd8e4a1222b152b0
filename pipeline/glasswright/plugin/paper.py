"""What is printed, by the engine and by plugins: its letters, and how a stranger's text is set with them.

DejaVu Sans writes Latin, Greek and Cyrillic; what it lacks is written as a number.
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
"""Unicode categories that leave no ink, or turn the text about them."""


class PaperError(GlasswrightError):
    """What was asked for cannot be put on that paper; the message says what can."""

    exit_code = 2


class MissingFontError(GlasswrightError):
    """The font files, which matplotlib brings, are not there."""


def write_file(path: Path, data: bytes) -> None:
    """Write a file that is to be printed; its folder has to be there.

    Raises
    ------
    PaperError
        If it cannot be written, naming the path and the reason.
    """
    try:
        path.write_bytes(data)
    except OSError as error:
        raise PaperError(f"{path}: cannot be written ({error.strerror or error}): choose another --out") from error


@cache
def register_fonts() -> str:
    """Make the fonts known to reportlab, and give a text that names their files' contents."""
    spec = find_spec("matplotlib")
    folder = Path(spec.origin or "").parent / "mpl-data" / "fonts" / "ttf" if spec else Path()
    total = hashlib.sha256()
    for name, file in FILES.items():
        if not (folder / file).is_file():
            raise MissingFontError(f"{folder / file}: the font is missing: install matplotlib again")
        data = (folder / file).read_bytes()
        total.update(data)
        # from memory, so that no path of this machine gets into a file
        pdfmetrics.registerFont(TTFont(name, io.BytesIO(data)))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)
    return total.hexdigest()[:12]


def name_drawing_tools() -> str:
    """Name the versions of all that a record's bytes depend on."""
    return f"glasswright {version('glasswright')}, reportlab {version('reportlab')}, fonts {register_fonts()}"


def show_missing(text: str) -> str:
    """Write each character that the font has no shape for as its number."""
    register_fonts()
    known = pdfmetrics.getFont(PLAIN).face.charToGlyph
    return "".join(c if ord(c) in known else f"[U+{ord(c):04X}]" for c in text)


def clean_text(text: str) -> str:
    """Return a text in one line that hides nothing: what leaves no ink is written as its number, the end is cut off.

    A ticket's texts come from anywhere, and a mark that reverses the direction of writing could make a serial number
    read as another.
    """
    one_line = " ".join(text.split())
    shown = "".join(f"[U+{ord(c):04X}]" if unicodedata.category(c) in UNPRINTED else c for c in one_line)
    return shown if len(shown) <= LONGEST_TEXT else f"{shown[: LONGEST_TEXT - 1]}…"
