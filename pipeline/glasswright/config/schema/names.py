"""Names that configuration files may use."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, StringConstraints

from glasswright.plain_text import is_plain

SAFE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}[A-Za-z0-9_]|[A-Za-z0-9]")
STEP_NAME = re.compile(r"[a-z][a-z0-9_]*")


def is_safe_name(name: str) -> bool:
    """Say whether a name can stand as a file name anywhere: letters, digits, `.`, `_`, `-`, at most 64."""
    return SAFE_NAME.fullmatch(name) is not None


def _refuse_unsafe(name: str) -> str:
    if not is_safe_name(name):
        raise ValueError(
            "must do as a file name: up to 64 of A-Z, a-z, 0-9, `.`, `_`, `-`, with a letter or digit first and no "
            "`.` or `-` last"
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
        raise ValueError("must hold no control or invisible characters but line ends and tabs")
    return text


STAND_INS = frozenset({"n/a", "na", "nil", "no", "nobody", "none", "null", "tba", "tbd", "test", "todo", "unknown"})
"""What people write where a form insists on a name."""


def problem_of_person(name: str) -> str:
    """Say why a text is no person's name, which a signature needs; empty if it may be one.

    At least two different letters, of any script: initials do, `x`, `???` and digits do not.
    """
    letters = {letter for letter in name.casefold() if letter.isalpha()}
    if len(letters) < 2 or name.casefold().strip(" .-") in STAND_INS:
        return f"`{name}` is no name of a person: write who it is"
    return ""


def _refuse_no_person(name: str) -> str:
    problem = problem_of_person(name)
    if problem:
        raise ValueError(f"must be a person's name: {problem}")
    return name


SafeName = Annotated[str, AfterValidator(_refuse_unsafe)]
Line = Annotated[str, StringConstraints(max_length=200), AfterValidator(_refuse_blank)]
"""One line of text that is not empty."""
Sentence = Annotated[str, StringConstraints(max_length=500), AfterValidator(_refuse_blank)]
"""The same, with room for an explanation."""
Prose = Annotated[str, AfterValidator(_refuse_control)]
"""Lines of text."""
PersonName = Annotated[Line, AfterValidator(_refuse_no_person)]
"""Who answers for something."""
