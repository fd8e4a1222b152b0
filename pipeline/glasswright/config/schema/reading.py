"""Validation of a document as a type, including the files that it names."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from functools import lru_cache
from types import GenericAlias
from typing import TYPE_CHECKING, Any, Final, TypeVar

from pydantic import ConfigDict, TypeAdapter, ValidationError

from glasswright.config.schema.explanation import explain
from glasswright.config.yaml.document import Document
from glasswright.config.yaml.reading import scan_yaml
from glasswright.errors import WHOLE_FILE, ConfigError, Problem

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.config.yaml.document import Place


T = TypeVar("T")

STRICT = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)


FILE_KEYS: Final = {
    "plan": {"plan", "stages"},
    "stand file": {"stand", "bodies"},
    "card": {"card", "limits"},
    "ticket file": {"ticket", "lens"},
}
"""Kind of configuration file -> keys that each one of this kind has."""


@dataclass(slots=True, kw_only=True)
class Reading:
    """The state of reading one document; `problems` collects those of the files that it names."""

    document: Document
    opened: tuple[Path, ...]
    """The chain of files that led to this one, to detect cycles."""
    problems: list[Problem] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    """The files that this document names: name as written -> SHA-256, which covers the files that they name in turn."""

    def read_named(self, path: Path, kind: type[T], name: str) -> T | None:
        """Return the content of a file that this document names; None if it has problems, which are added to
        `problems`."""
        if path.resolve() in self.opened:
            message = f"named by {self.document.path}, which it names in turn: break the circle"
            self.problems.append(Problem(str(path), 1, message))
            return None
        try:
            document = scan_yaml(path)
        except ConfigError as error:
            self.problems.extend(error.problems)
            return None
        inner: dict[str, str] = {}
        value, problems = check(document, kind, opened=self.opened, files=inner)
        self.files[name] = _hash_all(document.sha256, inner)
        self.problems.extend(problems)
        return value


def check(
    document: Document,
    kind: type[T],
    *place: str | int,
    opened: tuple[Path, ...] = (),
    files: dict[str, str] | None = None,
) -> tuple[T | None, tuple[Problem, ...]]:
    """Read a document, or the part of it at a place, as a type; return the value or all problems.

    Parameters
    ----------
    document
        From `scan_yaml` or `read_yaml`; its own problems are included in those returned.
    kind
        A pydantic model, a dataclass, or any type that pydantic can read. Dataclasses are read as strictly as models:
        no unknown keys, no conversions except int to float and list to tuple, no fields that the engine fills.
    place
        Keys and indices that lead to the part.
    opened
        The chain of files that led to this one.
    files
        Receives the files that the document names: name -> SHA-256.
    """
    named = {} if files is None else files
    reading = Reading(document=document, opened=(*opened, document.path.resolve()), files=named)
    value, problems = None, list(document.problems)
    try:
        reader = _reader_of(kind)  # type: ignore[arg-type] # types are hashable
        value = reader.validate_json(json.dumps([_part(document.data, place)]), context=reading)[0]
    except ValidationError as error:
        broken = {problem.line for problem in document.problems}
        other = [] if place else _find_other_kind(document, kind)
        found = other or explain(error, document, kind, place)
        problems += [problem for problem in found if problem.line not in broken]
    problems += reading.problems
    return (None if problems else value), tuple(problems)


def _find_other_kind(document: Document, kind: object) -> list[Problem]:
    """Return the one problem of a file that is a plan where a card is expected, and the like."""
    fields = getattr(kind, "model_fields", {})
    names = {each.alias or name for name, each in fields.items()}
    keys = set(document.data) if isinstance(document.data, dict) else set()
    wanted = [what for what, own in FILE_KEYS.items() if own <= names]
    found = [what for what, own in FILE_KEYS.items() if own <= keys and what not in wanted]
    if not wanted or not found:
        return []
    message = f"this is a {found[0]}, and a {wanted[0]} is needed here: give the path of a {wanted[0]}"
    return [Problem(str(document.path), WHOLE_FILE, message)]


def _hash_all(own: str, inner: Mapping[str, str]) -> str:
    """Return a digest of a file and the files that it names; its own digest if it names none."""
    lines = [own, *(f"{sha256} {name}" for name, sha256 in sorted(inner.items()))]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest() if inner else own


def _part(data: Any, place: Place) -> object:  # noqa: ANN401 - the content of a file has no static type
    for part in place:
        data = data[part]
    return data


def find_why_unreadable(kind: Any) -> str:  # noqa: ANN401 - any type that pydantic reads
    """Explain why a type cannot be read from any file; empty if it can."""
    try:
        _reader_of(kind)
    except Exception as error:  # pydantic raises many types for a bad annotation
        return f"{type(error).__name__}: {str(error).splitlines()[0]}"
    return ""


@lru_cache(maxsize=256)
def _reader_of(kind: Any) -> TypeAdapter[Any]:  # noqa: ANN401 - any type that pydantic reads
    # plain dataclasses have no configuration; within a one-element tuple they inherit the adapter's
    wrapped: Any = GenericAlias(tuple, (kind,))
    return TypeAdapter(wrapped, config=STRICT)


def validate(document: Document, kind: type[T], *place: str | int) -> T:
    """Read a document, or the part of it at a place, as a type.

    Raises
    ------
    ConfigError
        With every problem of the document and of the files that it names.
    """
    value, problems = check(document, kind, *place)
    if problems or value is None:
        raise ConfigError(problems)
    return value


def read_config(path: Path, kind: type[T]) -> T:
    """Read a YAML file as a type.

    Raises
    ------
    ConfigError
        With every problem of the file and of the files that it names.
    """
    return validate(scan_yaml(path), kind)
