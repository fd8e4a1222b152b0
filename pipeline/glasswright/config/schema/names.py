"""Names and texts that configuration files may contain."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, StringConstraints

from glasswright.plain_text import is_plain

SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}[A-Za-z0-9_]|[A-Za-z0-9]")
STEP_NAME = re.compile(r"[a-z][a-z0-9_]*")


def is_safe_name(name: str) -> bool:
    """Return whether a name is a valid file name on any system: letters, digits, `.`, `_`, `-`, at most 64."""
    return SAFE_NAME.fullmatch(name) is not None


def _refuse_unsafe(name: str) -> str:
    if not is_safe_name(name):
        raise ValueError(
            "must be usable as a file name: up to 64 of A-Z, a-z, 0-9, `.`, `_`, `-`, with a letter or digit first and "
            "no `.` or `-` last"
        )
    return name


def _refuse_blank(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be empty")
    if text != text.strip() or not text.isprintable():
        raise ValueError("must be one line without blanks at its ends")
    return text


def _refuse_control(text: str) -> str:
    if any(not is_plain(line) for line in text.replace("\\", "/").replace("\t", " ").split("\n")):
        raise ValueError("must contain no control or invisible characters except line ends and tabs")
    return text


STAND_INS = frozenset({"n/a", "na", "nil", "no", "nobody", "none", "null", "tba", "tbd", "test", "todo", "unknown"})
"""Placeholders that people write where a name is required."""


def problem_of_person(name: str) -> str:
    """Explain why a text cannot be a person's name, which a signature needs; empty if it can.

    A name has at least two different letters of any script: initials pass; `x`, `???` and digits do not.
    """
    if not name.strip():
        return "the name of a person is missing: write who it is"
    letters = {letter for letter in name.casefold() if letter.isalpha()}
    if len(letters) < 2 or name.casefold().strip(" .-") in STAND_INS:
        return f"`{name}` is not the name of a person: write who it is"
    return ""


def _refuse_no_person(name: str) -> str:
    problem = problem_of_person(name)
    if problem:
        raise ValueError(f"must be a person's name: {problem}")
    return name


SafeName = Annotated[str, AfterValidator(_refuse_unsafe)]
Line = Annotated[str, StringConstraints(max_length=200), AfterValidator(_refuse_blank)]
"""One non-empty line of text."""
Sentence = Annotated[str, StringConstraints(max_length=500), AfterValidator(_refuse_blank)]
"""A longer line of text, for an explanation."""
Prose = Annotated[str, AfterValidator(_refuse_control)]
"""Text of several lines."""
PersonName = Annotated[Line, AfterValidator(_refuse_no_person)]
"""The name of the person who signs something."""
