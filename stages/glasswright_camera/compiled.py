"""Compilation of the hot loops, cached on disk so that a nightly start does not compile again.

The cache is named after the sources of all modules that hold compiled code: it inlines functions of other modules, and
a cache that watched one file alone would go on serving them after they had changed.
"""

from __future__ import annotations

import os
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar, cast

import numba

if TYPE_CHECKING:
    from collections.abc import Callable

F = TypeVar("F", bound="Callable[..., object]")


def cache_folder() -> Path:
    """Give the folder for this version's compiled code: beside the package, or in the user's cache."""
    here = Path(__file__).parent
    digest = sha256()
    for source in sorted(here.glob("*.py")):
        text = source.read_bytes()
        if b"compiled" in text:
            digest.update(source.name.encode() + b"\0" + text + b"\0")
    name = digest.hexdigest()[:16]
    if os.access(here, os.W_OK):
        return here / "__pycache__" / f"compiled-{name}"
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "glasswright" / f"compiled-{name}"


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers with numba; the lock of the interpreter is released while it runs."""
    settings = vars(numba.config)
    before = settings["CACHE_DIR"]
    settings["CACHE_DIR"] = str(_FOLDER)
    try:
        return cast("F", numba.njit(cache=True, nogil=True)(function))
    finally:
        settings["CACHE_DIR"] = before


_FOLDER = cache_folder()
