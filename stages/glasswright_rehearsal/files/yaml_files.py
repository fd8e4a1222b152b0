"""Reading of YAML files as the program does: `on`, `off`, `yes` and `no` are texts."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import yaml

if TYPE_CHECKING:
    from pathlib import Path

BOOL = "tag:yaml.org,2002:bool"


class _Loader(yaml.SafeLoader):
    """Reads only `true` and `false` as Booleans (YAML 1.2, 10.3.2)."""


_Loader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != BOOL]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver(BOOL, re.compile("^(?:true|True|TRUE|false|False|FALSE)$"), list("tTfF"))


def read_yaml(path: Path) -> Any:  # noqa: ANN401 - the content of a file has no static type
    """Return the content of a YAML file."""
    return yaml.load(path.read_text(encoding="utf-8"), Loader=_Loader)
