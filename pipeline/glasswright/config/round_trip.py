"""Changing a YAML file as a careful person would: comments, order and layout of all else stay as they are."""

from __future__ import annotations

import io
import os
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

OFFSETS: Final = (2, 0, 4)
"""Of a list's dash from the key above it."""
WIDTHS: Final = (4096, 80)
"""At which lines are folded: none, or as YAML libraries do unasked."""


def edit_yaml(text: str, change: Callable[[Any], None]) -> str:
    """Give a text with its data changed in place; of the ways to lay lines out, the one that changes fewest."""
    ways = [_lay_out(offset, width) for width in WIDTHS for offset in OFFSETS]
    yaml = min(ways, key=lambda each: _count_changed_lines(each, text))
    data = yaml.load(text)
    change(data)
    return _dump(yaml, data)


def as_flow(values: Mapping[str, float | str]) -> CommentedMap:
    """Give a mapping that is written on one line, its texts in quotes."""
    quoted = {name: DoubleQuotedScalarString(v) if isinstance(v, str) else v for name, v in values.items()}
    made = CommentedMap(quoted)
    made.fa.set_flow_style()
    return made


def replace_file(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    with temporary.open("w", encoding="utf-8", newline="") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)


def _lay_out(offset: int, width: int) -> Any:  # noqa: ANN401 - the library's types say no more
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = width
    yaml.indent(mapping=2, sequence=offset + 2, offset=offset)
    return yaml


def _dump(yaml: Any, data: Any) -> str:  # noqa: ANN401
    written = io.StringIO()
    yaml.dump(data, written)
    return written.getvalue()


def _count_changed_lines(yaml: Any, text: str) -> int:  # noqa: ANN401
    same = Counter(text.splitlines()) & Counter(_dump(yaml, yaml.load(text)).splitlines())
    return len(text.splitlines()) - same.total()
