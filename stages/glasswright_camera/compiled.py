"""Compilation of the hot loops, cached on disk so that a nightly start does not compile again.

The cache is named by a hash of all modules that hold compiled code and of the modules they import. numba checks only
the file of each function, but compiled code includes functions and constants of other modules."""

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
    """Compile a function of arrays and numbers with numba; it runs without the interpreter's lock."""
    return _compile(function, {})


def compiled_in_any_order(function: F) -> F:
    """Compile as `compiled`, but with sums in any order and without checks for division by zero."""
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
    """Message that code is being compiled: once for each version on a machine, by the first process."""

    def __init__(self, folder: Path) -> None:
        """Take the folder of compiled code, in which a file marks that the message was printed."""
        self._mark = folder / "announced"
        self._is_done = False

    def on_start(self, event: object) -> None:
        """Print the message when the first function is compiled."""
        del event
        if self._is_done:
            return
        self._is_done = True
        try:
            self._mark.parent.mkdir(parents=True, exist_ok=True)
            self._mark.touch(exist_ok=False)
        except OSError:
            return
        text = "compiling the measuring code, once for this version on this machine; it takes about a minute"
        os.write(STANDARD_ERROR, f"glasswright: {text}\n".encode())

    def on_end(self, event: object) -> None:
        """Do nothing."""


_FOLDER = cache_folder()
register("numba:compile", Announcement(_FOLDER))  # type: ignore[no-untyped-call]
