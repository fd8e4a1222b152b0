"""A configuration file as read: its data, and the line of each part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glasswright.errors import Problem
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

Place = tuple[str | int, ...]
"""Keys and indices that lead from the top of a file to a part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """The data of one YAML file, with the line of every part."""

    path: Path
    text: str
    sha256: str
    """Of the text."""
    data: Any
    lines: Mapping[Place, int]
    """The line of each key (of a mapping) and each element (of a list), from 1."""
    written: Mapping[Place, str]
    """Each plain or quoted value as it stands in the file, for messages."""
    problems: tuple[Problem, ...] = ()
    """What is wrong with the file as YAML; `read_yaml` raises if there is any."""

    def resolve(self, place: Place) -> Place:
        """The innermost part of the file that a place leads to; parts that the file does not have are passed over.

        A place may come from a validator, which puts names of its own between keys.
        """
        found: Place = ()
        for part in place:
            if (*found, part) in self.lines:
                found = (*found, part)
        return found

    def line_of(self, place: Place) -> int:
        """Return the line of the innermost part of the file that a place leads to."""
        return self.lines.get(self.resolve(place), 1)

    def problem(self, place: Place, message: str) -> Problem:
        """Say what is wrong at a place of this file."""
        return Problem(str(self.path), self.line_of(place), escape(message))


def name_place(place: Place) -> str:
    """Return a place as a message names it: `charts[0].layout`."""
    text = ""
    for part in place:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text
