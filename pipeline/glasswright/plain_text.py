"""Escapes text from outside (file names, EXIF, command lines) so that it can be printed and stored as UTF-8.

A POSIX file name is bytes. Python represents bytes that are not UTF-8 as lone surrogates (PEP 383), which SQLite and
terminals reject. A name may also contain line breaks or control sequences that make it look like another name.
"""

from __future__ import annotations

import unicodedata
from typing import Final

UNPRINTABLE: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""General categories of the Unicode standard (4.5): controls, invisible format marks (including those that reverse the
direction of writing), surrogates, line and paragraph separators."""


def is_plain(name: str) -> bool:
    """Return whether a name needs no escapes; a backslash does, because it begins an escape."""
    return "\\" not in name and not any(unicodedata.category(each) in UNPRINTABLE for each in name)


def escape(text: str) -> str:
    r"""Return text on one line with unprintable characters as escapes: `\n`, `\x1b`, `\xf6` for a byte not in UTF-8."""
    return "".join(_spell(each) if unicodedata.category(each) in UNPRINTABLE else each for each in text)


def escape_name(name: str) -> str:
    r"""Return a file name as `escape` does, with each backslash doubled, so that no two names look alike.

    `sha256sum` writes line breaks and backslashes in the same way.
    """
    return escape(name.replace("\\", "\\\\"))


def _spell(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return character.encode("unicode_escape").decode("ascii")


def fold_name(text: str) -> str:
    """Return a name or serial number without letter case, blanks and leading zeros, for comparison."""
    return "".join(text.casefold().split()).lstrip("0")
