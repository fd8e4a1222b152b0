"""Compilation of the hot loops, cached on disk so that a nightly start does not compile again.

The cache is named after the sources of all modules that hold compiled code and what they import: it holds
functions and constants of other modules, and a cache that watched one file alone would go on serving them after they
had changed.
"""

from __future__ import annotations

import os
import re
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numba

if TYPE_CHECKING:
    from collections.abc import Callable

F = TypeVar("F", bound="Callable[..., object]")


def compiled_sources(folder: Path) -> list[Path]:
    """List the modules that hold compiled code and those they import from this package, however far."""
    texts = {path.stem: path.read_text() for path in folder.glob("*.py")}
    chosen: set[str] = set()
    waiting = [name for name, text in texts.items() if "@compiled" in text]
    while waiting:
        name = waiting.pop()
        if name in texts and name not in chosen:
            chosen.add(name)
            waiting += re.findall(r"^\s*from glasswright_camera\.(\w+) import", texts[name], flags=re.MULTILINE)
    return [folder / f"{name}.py" for name in sorted(chosen)]


def cache_folder() -> Path:
    """Give the folder for this version's compiled code: beside the package, or in the user's cache."""
    here = Path(__file__).parent
    digest = sha256()
    for source in compiled_sources(here):
        digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    name = digest.hexdigest()[:16]
    if os.access(here, os.W_OK):
        return here / "__pycache__" / f"compiled-{name}"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "glasswright" / f"compiled-{name}"


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers with numba; the lock of the interpreter is released while it runs."""
    return _compile(function, {})


def compiled_in_any_order(function: F) -> F:
    """Compile as `compiled` does, where sums may be taken in any order and division by zero need not be looked for."""
    return _compile(function, {"fastmath": {"reassoc", "contract", "nsz", "arcp"}, "error_model": "numpy"})


def _compile(function: F, options: dict[str, Any]) -> F:
    settings = vars(numba.config)
    before = settings["CACHE_DIR"]
    settings["CACHE_DIR"] = str(_FOLDER)
    try:
        return cast("F", numba.njit(cache=True, nogil=True, **options)(function))
    finally:
        settings["CACHE_DIR"] = before


_FOLDER = cache_folder()
