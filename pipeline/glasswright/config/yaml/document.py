"""A configuration file as read: its data and the line of each part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glasswright.errors import Problem
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

Place = tuple[str | int, ...]
"""Path of keys and indices from the top of a file to a part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """The data of one YAML file, with the line of every part."""

    path: Path
    text: str
    sha256: str
    """SHA-256 of the text."""
    data: Any
    lines: Mapping[Place, int]
    """Line number of each key and list element, from 1."""
    written: Mapping[Place, str]
    """Each scalar as written in the file, for messages."""
    problems: tuple[Problem, ...] = ()
    """YAML errors; `read_yaml` raises if there are any."""

    def resolve(self, place: Place) -> Place:
        """Return a place reduced to the parts that exist in the file.

        A place from a validator may have extra names between the keys.
        """
        found: Place = ()
        for part in place:
            if (*found, part) in self.lines:
                found = (*found, part)
        return found

    def line_of(self, place: Place) -> int:
        """Return the line of the innermost existing part of a place."""
        return self.lines.get(self.resolve(place), 1)

    def problem(self, place: Place, message: str) -> Problem:
        """Return a problem at a place of this file."""
        return Problem(str(self.path), self.line_of(place), escape(message))


def name_place(place: Place) -> str:
    """Return a place as text: `charts[0].layout`."""
    text = ""
    for part in place:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text
