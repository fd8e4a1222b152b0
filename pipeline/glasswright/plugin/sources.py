"""The source files that a module imports, directly or indirectly: they determine its results.

Imports are read from the syntax tree, so no code is run. Imports for type checkers do not count, nor does a module that
is imported by a name computed at run time.
"""

from __future__ import annotations

import ast
import hashlib
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping


def find_imported_sources(modules: Collection[str], packages: Collection[str]) -> Mapping[str, Path]:
    """Return the source files of modules and of all that they import, directly or indirectly, from some packages.

    A module's parent packages count as imported. The top-level package counts only if it is imported by name, because
    it imports everything that a plugin offers.

    Parameters
    ----------
    modules
        Dotted names to start from.
    packages
        Top-level packages whose modules count; others are libraries, identified by version.

    Returns
    -------
    mapping
        Dotted name of each module -> its file, sorted by name.
    """
    found: dict[str, Path] = {}
    waiting = list(modules)
    while waiting:
        name = waiting.pop()
        if name in found or name.partition(".")[0] not in packages:
            continue
        path = _find_file(name)
        if path is None:
            continue
        found[name] = path
        parents = [name.rsplit(".", up)[0] for up in range(1, name.count("."))]
        waiting += [*parents, *read_imports(name, path)]
    return dict(sorted(found.items()))


def hash_sources(sources: Mapping[str, Path]) -> str:
    """Return the SHA-256 over the modules' names and contents, sorted by name."""
    total = hashlib.sha256()
    for name, path in sorted(sources.items()):
        total.update(f"{name}\0{hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return total.hexdigest()


def read_imports(module: str, path: Path) -> frozenset[str]:
    """Return the dotted names of the modules that a file imports; a name imported from a package may be a module."""
    return _read_imports(module, path, path.stat().st_mtime_ns)


@cache
def _read_imports(module: str, path: Path, changed_ns: int) -> frozenset[str]:
    del changed_ns  # part of the cache key: a changed file is read again
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    names: set[str] = set()
    for node in _walk_statements(ast.parse(path.read_bytes())):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package.rsplit(".", node.level - 1)[0] if node.level else ""
            source = ".".join(part for part in (base, node.module) if part)
            names |= _name_taken(source, [alias.name for alias in node.names])
    return frozenset(names)


def _name_taken(source: str, names: Collection[str]) -> set[str]:
    """Return the modules behind `from source import names`: modules of a package, else the source itself."""
    inner = {f"{source}.{name}" for name in names if _find_file(f"{source}.{name}") is not None}
    return inner if len(inner) == len(set(names)) else inner | {source}


BLOCKS: Final = ("body", "orelse", "handlers", "finalbody", "cases")
"""Fields of a statement that hold statements."""


def _walk_statements(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield the statements of a syntax tree, without those under `if TYPE_CHECKING:`; an expression imports nothing."""
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        yield node
        guarded = isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING")
        for block in BLOCKS[1:] if guarded else BLOCKS:
            inner = getattr(node, block, ())
            waiting += inner if isinstance(inner, list) else ()


def _find_file(module: str) -> Path | None:
    """Return a module's file, found from the path of its top-level package; None if there is none."""
    outermost, *inner = module.split(".")
    try:
        spec = find_spec(outermost)
    except (ImportError, ValueError):
        return None
    if spec is None:
        return None
    if not inner:
        path = Path(spec.origin) if spec.origin is not None else None
        return path if path is not None and path.suffix == ".py" else None
    for folder in spec.submodule_search_locations or ():
        base = Path(folder, *inner)
        for path in (base / "__init__.py", base.with_suffix(".py")):
            if path.is_file():
                return path
    return None
