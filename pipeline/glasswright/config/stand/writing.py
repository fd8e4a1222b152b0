"""Writes measured constants into the stand file; comments, order and everything else stay unchanged."""

from __future__ import annotations

import copy
from difflib import unified_diff
from typing import TYPE_CHECKING, Any

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from glasswright.config.schema.reading import check
from glasswright.config.stand.constants import StandConstant
from glasswright.config.yaml.reading import scan_bytes
from glasswright.config.yaml.round_trip import as_flow, edit_yaml
from glasswright.errors import GlasswrightError
from glasswright.whole_files import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.config.yaml.document import Document

SECTION = "constants"


class StandWriteError(GlasswrightError):
    """The stand file could not be written as proposed; it is unchanged."""

    exit_code = 2


def propose_constants(
    document: Document, name: str, entry: Mapping[str, Any], changes: Mapping[tuple[str | int, ...], Any]
) -> str:
    """Return the stand file's text with one constant added, and with the values that stages read.

    Parameters
    ----------
    document
        The stand file.
    name
        Name of the constant in the section `constants`; an entry of that name is replaced.
    entry
        The fields of a `StandConstant` as YAML data.
    changes
        Place -> value of other keys to set. Missing mappings on the way are created. None removes a key.

    Raises
    ------
    StandWriteError
        If the text would not read back as intended.
    """
    text = propose_changes(document, {**changes, (SECTION, name): dict(entry)})
    problems = check(scan_bytes(document.path, text.encode()), dict[str, StandConstant], SECTION)[1]
    if problems:
        raise StandWriteError(f"{document.path}: cannot be written ({problems[0].message}): write the numbers by hand")
    return text


def propose_changes(document: Document, changes: Mapping[tuple[str | int, ...], Any]) -> str:
    """Return the stand file's text with some keys set; missing mappings on the way are created, None removes a key.

    Raises
    ------
    StandWriteError
        If the text would not read back as intended.
    """

    def change(data: Any) -> None:  # noqa: ANN401 - the library's types say no more
        for place, value in changes.items():
            _put(data, place, value, laid_out=True)

    text = edit_yaml(document.text, change)
    expected = copy.deepcopy(document.data)
    for place, value in changes.items():
        _put(expected, place, value, laid_out=False)
    read = scan_bytes(document.path, text.encode())
    problems = read.problems
    if problems or read.data != expected:
        why = problems[0].message if problems else "it would not read back as intended"
        raise StandWriteError(f"{document.path}: cannot be written ({why}): write the numbers by hand")
    return text


def _put(data: Any, place: tuple[str | int, ...], value: Any, *, laid_out: bool) -> None:  # noqa: ANN401
    *way, last = place
    for part in way:
        if isinstance(part, str) and not data.get(part):
            data[part] = CommentedMap() if laid_out else {}
        data = data[part]
    if value is None:
        if last in data:
            del data[last]
    else:
        data[last] = _lay_out(value) if laid_out else value


def _lay_out(value: Any) -> Any:  # noqa: ANN401
    """Return a value laid out for YAML: a mapping of mappings on several lines, inner ones on one line."""
    if isinstance(value, dict):
        if any(isinstance(each, dict) for each in value.values()):
            return CommentedMap({key: _lay_out(each) for key, each in value.items()})
        return as_flow(value)
    if isinstance(value, list) and any(isinstance(each, dict) for each in value):
        return CommentedSeq([_lay_out(each) for each in value])
    return as_flow({"only": value})["only"]


def show_changes(document: Document, text: str) -> str:
    """Return the changed lines of a file, each after the one it replaces; empty if none changes."""
    name = str(document.path)
    lines = unified_diff(
        document.text.splitlines(), text.splitlines(), f"{name} as it is", f"{name} as proposed", lineterm="", n=1
    )
    return "\n".join(lines)


def replace_stand(document: Document, text: str) -> None:
    """Replace the stand file, whole or not at all.

    Raises
    ------
    StandWriteError
        If it was changed since it was read.
    """
    if document.path.read_bytes().decode("utf-8-sig") != document.text:
        raise StandWriteError(f"{document.path}: the stand file was changed in the meantime: run the command again")
    write_whole(document.path, text.encode())
