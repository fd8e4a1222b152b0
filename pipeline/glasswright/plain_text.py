"""Text from outside (file names, EXIF, command lines) made fit to be printed, stored as UTF-8 and told apart.

A POSIX file name is bytes. Python shows bytes that are not UTF-8 as lone surrogates (PEP 383), which neither SQLite nor
a terminal takes, and a name may hold line breaks or control sequences that would let it pass for something else.
"""

from __future__ import annotations

import unicodedata
from typing import Final

UNPRINTABLE: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""General categories of the Unicode standard (4.5): controls, invisible format marks (the ones that reverse the
direction of writing among them), surrogates, line and paragraph separators."""


def is_plain(name: str) -> bool:
    """Tell whether a name can be printed and stored as it is; one with a backslash cannot be told from an escape."""
    return "\\" not in name and not any(unicodedata.category(each) in UNPRINTABLE for each in name)


def escape(text: str) -> str:
    r"""Return text on one line, with unprintable characters spelt out: `\n`, `\x1b`, `\xf6` for a byte of no UTF-8."""
    return "".join(_spell(each) if unicodedata.category(each) in UNPRINTABLE else each for each in text)


def escape_name(name: str) -> str:
    r"""Return a file name so that no two names look alike: as `escape`, with each backslash doubled.

    For line breaks and backslashes this is how `sha256sum` writes names, too.
    """
    return escape(name.replace("\\", "\\\\"))


def _spell(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return character.encode("unicode_escape").decode("ascii")
