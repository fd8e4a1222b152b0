"""What commands write for others: into which folders, and text in tables that a spreadsheet may open."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["OutputError", "make_folder", "read_cell", "write_cell", "write_text"]

FORMULA: Final = re.compile("'*[=+@\t\r\n\uff1d\uff0b\uff0d\uff20-]")
"""How text begins that a spreadsheet runs: the characters, full-width ones among them, and the apostrophe as a remedy
are those of OWASP's "CSV Injection" (from memory). Text that has apostrophes of its own before them gets one more, too:
otherwise reading could not tell whose they are."""


class OutputError(GlasswrightError):
    """A command cannot write where it was told to."""

    exit_code = 2


def make_folder(folder: Path) -> None:
    """Make a folder that a command was told to write into, if it is not there.

    A misspelt path must not grow a tree of folders, so those above it have to be there.

    Raises
    ------
    OutputError
        If it cannot be made, naming the reason.
    """
    try:
        folder.mkdir(exist_ok=True)
    except FileNotFoundError:
        missing = escape(str(folder.parent))
        msg = f"{escape(str(folder))}: there is no folder {missing} to make it in: make that, or correct --out"
        raise OutputError(msg) from None
    except OSError as error:
        why = error.strerror or error
        raise OutputError(f"{escape(str(folder))}: cannot be made ({why}): choose another --out") from error


def write_text(path: Path, text: str) -> None:
    """Write a text file that a command was told to write.

    Raises
    ------
    OutputError
        If it cannot be written, naming the reason.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        why = error.strerror or error
        raise OutputError(f"{escape(str(path))}: cannot be written ({why}): choose another place") from error


def write_cell(text: str) -> str:
    """Return text as a table's cell holds it: with an apostrophe before what a spreadsheet would run as a formula."""
    return f"'{text}" if FORMULA.match(text) else text


def read_cell(text: str) -> str:
    """Return the text that a table's cell stands for."""
    return text[1:] if text.startswith("'") and FORMULA.match(text) else text
