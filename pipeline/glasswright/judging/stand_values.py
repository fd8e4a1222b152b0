"""Relevant differences between two stand files: for the numbers, and for the verdicts.

Measurements depend on constants of the stand (such as the unevenness of its source) and on the files that it names.
Verdicts depend on its reproducibility (guard bands) and on its control charts. Names, comments and values that no limit
of the card depends on may change without adoption.
"""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from glasswright.config import scan_bytes
from glasswright.config.plan.method import MeasuredMethod, find_closure
from glasswright.config.stand.file import read_files
from glasswright.errors import ConfigError
from glasswright.plain_text import escape_name

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

MOST_SHOWN: Final = 3
SECTION: Final = "stand."
"""Prefix of a section of the stand file as an input in a plan."""
SPREADS: Final = ("repeatability", "reproducibility")
ORIGIN: Final = "origin"
"""Key of a spread that does not affect guard bands."""


@dataclass(frozen=True, slots=True)
class Change:
    """One difference between two stand files."""

    place: str
    before: str
    after: str

    def __str__(self) -> str:
        """Return the old and the new value as text."""
        return f"`{self.place}` was {self.before} and is {self.after}"


@lru_cache(maxsize=256)
def find_sections(method: str, steps: frozenset[str]) -> tuple[str, ...]:
    """Return the sections of the stand file that some steps depend on.

    Parameters
    ----------
    method
        The method as JSON; empty if unknown.
    steps
        Names of the steps.
    """
    if not method:
        return ()
    closure = find_closure(MeasuredMethod.model_validate_json(method), steps).values()
    inputs = {source for entry in closure for source in entry.inputs.values()}
    return tuple(sorted(each.removeprefix(SECTION) for each in inputs if each.startswith(SECTION)))


def find_other_constants(sections: Collection[str], one: str, other: str) -> tuple[Change, ...]:
    """Return the differences between two stand files (kept texts) in the sections of plugins.

    Files that they name are compared by content.
    """
    if one == other:
        return ()
    old, new = _read(one), _read(other)
    files = read_files(one), read_files(other)
    return tuple(change for name in sections for change in _compare(name, old.get(name), new.get(name), *files))


def find_other_verdicts(measures: Collection[str], one: str, other: str) -> tuple[Change, ...]:
    """Return the differences between two stand files that affect verdicts on measures: spreads and the `watch`
    section."""
    if one == other:
        return ()
    old, new = _read(one), _read(other)
    changes = [*_compare("watch", old.get("watch"), new.get("watch"), {}, {})]
    for table in SPREADS:
        before, after = (_pick_spreads(each.get(table), measures) for each in (old, new))
        changes += _compare(table, before, after, {}, {})
    return tuple(changes)


def read_may_decide(text: str) -> tuple[str, ...]:
    """Return the names of those who may decide, from a kept stand file."""
    names = _read(text).get("may_decide")
    return tuple(map(str, names)) if isinstance(names, list) else ()


def format_changes(changes: Collection[Change]) -> str:
    """Return the first few changes on one line."""
    more = len(changes) - MOST_SHOWN
    return "; ".join(map(str, [*changes][:MOST_SHOWN])) + (f"; and {more} more" if more > 0 else "")


def _pick_spreads(table: Any, measures: Collection[str]) -> dict[str, Any]:  # noqa: ANN401 - any YAML value
    if not isinstance(table, dict):
        return {}
    return {
        pattern: {key: value for key, value in spread.items() if key != ORIGIN} if isinstance(spread, dict) else spread
        for pattern, spread in table.items()
        if any(pattern == measure or fnmatchcase(measure, pattern) for measure in measures)
    }


@lru_cache(maxsize=64)
def _read(text: str) -> Mapping[str, Any]:
    try:
        data = scan_bytes(Path("stand file"), text.encode()).data
    except ConfigError:
        return {}
    return data if isinstance(data, dict) else {}


def _compare(
    place: str,
    old: Any,  # noqa: ANN401 - any YAML value
    new: Any,  # noqa: ANN401
    old_files: Mapping[str, str],
    new_files: Mapping[str, str],
) -> Iterator[Change]:
    if isinstance(old, dict) and isinstance(new, dict):
        for key in (*old, *(key for key in new if key not in old)):
            yield from _compare(f"{place}.{key}", old.get(key), new.get(key), old_files, new_files)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for index, pair in enumerate(zip(old, new, strict=True)):
            yield from _compare(f"{place}[{index}]", *pair, old_files, new_files)
    elif old != new:
        yield Change(place, _write(old), _write(new))
    elif isinstance(old, str):
        before, after = (files.get(escape_name(old), "") for files in (old_files, new_files))
        if before != after:
            yield Change(place, f"{old} ({before[:12] or 'not kept'})", f"{new} ({after[:12] or 'not kept'})")


def _write(value: Any) -> str:  # noqa: ANN401 - any YAML value
    return "missing" if value is None else str(value)
