"""Output of commands: folders, text files, and table cells that a spreadsheet may open."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["OutputError", "make_folder", "read_cell", "write_cell", "write_text"]

FORMULA: Final = re.compile("'*[=+@\t\r\n\uff1d\uff0b\uff0d\uff20-]")
"""Beginning of text that a spreadsheet would run as a formula. The characters (some full-width) and the apostrophe as
remedy are from OWASP's "CSV Injection" (from memory). Text that already has apostrophes before such a character also
gets one more, so that reading can remove exactly one."""


class OutputError(GlasswrightError):
    """A command cannot write to the given path."""

    exit_code = 2


def make_folder(folder: Path) -> None:
    """Make an output folder if it does not exist.

    Its parent must exist, so that a misspelt path does not create a tree of folders.

    Raises
    ------
    OutputError
        If it cannot be made; the message gives the reason.
    """
    try:
        folder.mkdir(exist_ok=True)
    except FileNotFoundError:
        missing = escape(str(folder.parent))
        msg = f"{escape(str(folder))}: the folder {missing} does not exist: make it, or correct --out"
        raise OutputError(msg) from None
    except OSError as error:
        why = error.strerror or error
        raise OutputError(f"{escape(str(folder))}: cannot be made ({why}): choose another --out") from error


def write_text(path: Path, text: str) -> None:
    """Write a text file.

    Raises
    ------
    OutputError
        If it cannot be written; the message gives the reason.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        why = error.strerror or error
        raise OutputError(f"{escape(str(path))}: cannot be written ({why}): choose another place") from error


def write_cell(text: str) -> str:
    """Return text for a table's cell, with an apostrophe before anything a spreadsheet would run as a formula."""
    return f"'{text}" if FORMULA.match(text) else text


def read_cell(text: str) -> str:
    """Return the text that `write_cell` wrote."""
    return text[1:] if text.startswith("'") and FORMULA.match(text) else text
