"""Builds plain data from the events of a YAML parser; refuses tags and anchors."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import yaml

from glasswright.config.yaml.document import Place, name_place
from glasswright.config.yaml.scalars import read_plain
from glasswright.errors import ConfigError, Problem
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Mapping

DEEPEST = 50


@dataclass(slots=True)
class _Level:
    """One mapping or list that is being read."""

    value: dict[str, Any] | list[Any]
    place: Place
    key: str | None = None
    """The key whose value comes next; None if a key comes next."""
    first_lines: dict[str, int] = field(default_factory=dict)


class TreeBuilder:
    """Consumes parser events one by one; afterwards `data`, `lines`, `written` and `problems` are complete."""

    def __init__(self, file: str) -> None:
        """Start without data; `file` is named in messages."""
        self.data: Any = None
        self.lines: dict[Place, int] = {(): 1}
        self.written: dict[Place, str] = {}
        self.problems: list[Problem] = []
        self._file = file
        self._levels: list[_Level] = []
        self._documents = 0

    def take(self, event: yaml.Event) -> None:
        """Process the next event."""
        line = event.start_mark.line + 1 if event.start_mark else 1
        if isinstance(event, yaml.DocumentStartEvent):
            self._start_document(event, line)
        elif isinstance(event, yaml.AliasEvent):
            self._refuse(line, f"alias `*{event.anchor}`: write the value out; aliases are not read")
            self._place("" if self._awaits_key() else None, line)
        elif isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent):
            self._refuse_decoration(event, line)
            if isinstance(event, yaml.ScalarEvent):
                self._take_scalar(event, line)
            else:
                self._open({} if isinstance(event, yaml.MappingStartEvent) else [], line)
        elif isinstance(event, yaml.CollectionEndEvent):
            self._levels.pop()

    def _start_document(self, event: yaml.DocumentStartEvent, line: int) -> None:
        self._documents += 1
        if self._documents > 1:
            self._stop(line, "a second document starts with `---`: a file may contain only one")
        if event.tags:
            self._refuse(line, "`%TAG` is not read; remove it")

    def _refuse_decoration(self, event: yaml.ScalarEvent | yaml.CollectionStartEvent, line: int) -> None:
        if event.anchor is not None:
            self._refuse(line, f"anchor `&{event.anchor}`: write the value out where it is used; anchors are not read")
        if event.tag is not None:
            tag = event.tag.replace("tag:yaml.org,2002:", "!!")
            self._refuse(line, f"tag `{tag}`: remove it; configuration is plain data and tags are not read")

    def _take_scalar(self, event: yaml.ScalarEvent, line: int) -> None:
        text: str = event.value
        if not event.implicit[0]:
            self._place(text, line, written=text)
            return
        try:
            value = read_plain(text)
        except ValueError as error:
            self._refuse(line, str(error))
            value = text
        self._place(value, line, written=text)

    def _open(self, value: dict[str, Any] | list[Any], line: int) -> None:
        if len(self._levels) >= DEEPEST:
            self._stop(line, f"nested more than {DEEPEST} deep")
        if self._awaits_key():
            self._stop(line, "a key must be a text, not a list or mapping")
        self._levels.append(_Level(value, self._place(value, line)))

    def _awaits_key(self) -> bool:
        return bool(self._levels) and isinstance(self._levels[-1].value, dict) and self._levels[-1].key is None

    def _place(self, value: object, line: int, written: str = "") -> Place:
        """Put a value where it belongs and return its place."""
        if not self._levels:
            self.data = value
            self.lines[()] = line
            return ()
        level = self._levels[-1]
        if isinstance(level.value, list):
            level.value.append(value)
            place = (*level.place, len(level.value) - 1)
            self.lines[place] = line
        elif level.key is None:
            self._take_key(level, value, line, written)
            return level.place
        else:
            place = (*level.place, level.key)
            level.value.setdefault(level.key, value)
            level.key = None
        if not isinstance(value, dict | list):
            self.written.setdefault(place, written)
        return place

    def _take_key(self, level: _Level, value: object, line: int, written: str) -> None:
        where = f" in `{name_place(level.place)}`" if level.place else ""
        if written == "<<":
            self._refuse(line, "merge key `<<`: write the keys out; merging is not read")
        elif not isinstance(value, str):
            self._refuse(line, f'key `{written}` is not text: put it in quotes ("{written}")')
        if written in level.first_lines:
            first = level.first_lines[written]
            self._refuse(line, f"key `{written}` is given twice{where}, first on line {first}; remove one")
        level.key = written
        level.first_lines.setdefault(written, line)
        self.lines.setdefault((*level.place, written), line)

    def _refuse(self, line: int, message: str) -> None:
        self.problems.append(Problem(self._file, line, escape(message)))

    def _stop(self, line: int, message: str) -> None:
        """Stop reading the file: the rest could be misread."""
        raise ConfigError([*self.problems, Problem(self._file, line, message)])


def as_mapping(data: object) -> Mapping[str, Any]:
    """Return data as a mapping; empty if it is not one, which the schema check reports."""
    return data if isinstance(data, dict) else {}
