"""Compilation of the hot loops, cached on disk so that a nightly start does not compile again.

The cache is named after the sources of all modules that hold compiled code and what they import: compiled code holds
functions and constants of other modules, and numba watches the file of each function alone.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numba
from numba.core.event import Listener, register

from glasswright import find_imported_sources, hash_sources

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

F = TypeVar("F", bound="Callable[..., object]")


PACKAGE = "glasswright_camera"
STANDARD_ERROR = 2


def compiled_sources() -> Mapping[str, Path]:
    """Return the modules of this package that hold compiled code and those they import, name -> file."""
    root = Path(__file__).parent
    holders = [
        ".".join((PACKAGE, *path.relative_to(root).with_suffix("").parts))
        for path in root.rglob("*.py")
        if "@compiled" in path.read_text(encoding="utf-8")
    ]
    return find_imported_sources(holders, [PACKAGE])


def cache_folder() -> Path:
    """Return the folder for this version's compiled code: beside the package, or in the user's cache."""
    here = Path(__file__).parent
    name = f"compiled-{hash_sources(compiled_sources())[:16]}"
    if os.access(here, os.W_OK):
        return here / "__pycache__" / name
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "glasswright" / name


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


class Announcement(Listener):
    """Says why the first shot takes so long: once for each version on a machine, by the process that is first."""

    def __init__(self, folder: Path) -> None:
        """Say it unless the folder of compiled code says that it was said."""
        self._mark = folder / "announced"
        self._is_said = False

    def on_start(self, event: object) -> None:
        """Take note that a function is compiled, for the cache has it not."""
        del event
        if self._is_said:
            return
        self._is_said = True
        try:
            self._mark.parent.mkdir(parents=True, exist_ok=True)
            self._mark.touch(exist_ok=False)
        except OSError:
            return
        what = "compiling what measures, once for this version on this machine; it takes a minute or so"
        os.write(STANDARD_ERROR, f"glasswright: {what}\n".encode())

    def on_end(self, event: object) -> None:
        """Do nothing."""


_FOLDER = cache_folder()
register("numba:compile", Announcement(_FOLDER))  # type: ignore[no-untyped-call]
