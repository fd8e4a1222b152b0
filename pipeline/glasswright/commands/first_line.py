"""The first sentence of a plugin command's help, read from its source without importing the plugin.

Importing a plugin also imports its numeric libraries, which takes a second or more, too long for a list of commands.
"""

from __future__ import annotations

import ast
from importlib.machinery import PathFinder
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint


def read_first_line(point: EntryPoint) -> str:
    """Return the first sentence of a command's docstring, or its `short_help`; empty if neither can be read."""
    try:
        source = _find_source(point.module)
        tree = ast.parse(source.read_bytes()) if source is not None else None
    except (OSError, SyntaxError, ValueError):  # ValueError: a module without a valid `__spec__`
        return ""
    for node in tree.body if tree is not None else ():
        if isinstance(node, ast.FunctionDef) and node.name == point.attr:
            return _short_help(node) or _first_sentence(ast.get_docstring(node) or "")
    return ""


def _find_source(module: str) -> Path | None:
    """Return the file of a module; `find_spec` alone would import its parent packages."""
    outermost, *inner = module.split(".")
    name, spec = outermost, find_spec(outermost)
    for part in inner:
        folders = spec.submodule_search_locations if spec is not None else None
        if folders is None:
            return None
        name = f"{name}.{part}"
        spec = PathFinder.find_spec(name, folders)
    return Path(spec.origin) if spec is not None and spec.origin is not None else None


def _short_help(function: ast.FunctionDef) -> str:
    for decorator in function.decorator_list:
        for keyword in decorator.keywords if isinstance(decorator, ast.Call) else ():
            if keyword.arg == "short_help" and isinstance(keyword.value, ast.Constant):
                return str(keyword.value.value)
    return ""


def _first_sentence(docstring: str) -> str:
    paragraph = " ".join(docstring.split("\n\n")[0].split())
    sentence, stop, _ = paragraph.partition(". ")
    return sentence + "." if stop else paragraph
