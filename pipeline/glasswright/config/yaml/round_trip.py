"""Changes to a YAML file that keep its comments, order and layout."""

from __future__ import annotations

import io
import re
from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from glasswright.config.yaml.scalars import read_plain

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

OFFSETS: Final = (2, 0, 4)
"""Indents of a list's dash from the key above it."""
WIDTHS: Final = (4096, 80)
"""Widths at which lines are folded: never, or the default of YAML libraries."""
PLAIN: Final = re.compile(r"[A-Za-z][A-Za-z0-9_.]*")
"""Texts that need no quotes, unless YAML reads them as another type."""


def edit_yaml(text: str, change: Callable[[Any], None]) -> str:
    """Return a text with its data changed in place, in the layout that changes the fewest lines."""
    ways = [_lay_out(offset, width) for width in WIDTHS for offset in OFFSETS]
    yaml = min(ways, key=lambda each: _count_changed_lines(each, text))
    data = yaml.load(text)
    change(data)
    return _dump(yaml, data)


def as_flow(values: Mapping[str, Any]) -> CommentedMap:
    """Return a mapping that is written on one line, with texts quoted where needed."""
    made = CommentedMap({name: _as_flow(value) for name, value in values.items()})
    made.fa.set_flow_style()
    return made


def _as_flow(value: Any) -> Any:  # noqa: ANN401 - any YAML value
    if isinstance(value, str):
        return (
            value if PLAIN.fullmatch(value) and isinstance(read_plain(value), str) else DoubleQuotedScalarString(value)
        )
    if isinstance(value, dict):
        return as_flow(value)
    if isinstance(value, list):
        made = CommentedSeq(_as_flow(each) for each in value)
        made.fa.set_flow_style()
        return made
    return value


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
