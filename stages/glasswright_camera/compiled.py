"""Compilation of the hot loops, cached on disk so that a nightly start does not compile again.

The cache is named by a hash of all modules that hold compiled code and of the modules they import. numba checks only
the file of each function, but compiled code includes functions and constants of other modules."""

from __future__ import annotations

import gc
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

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
        if "glasswright_camera.compiled import" in path.read_text(encoding="utf-8")
    ]
    return find_imported_sources(holders, [PACKAGE])


def cache_folder() -> Path:
    """Return the folder for this version's compiled code: beside the package, or in the user's cache."""
    here = Path(__file__).parent
    name = f"compiled-{hash_sources(compiled_sources())[:16]}"
    if os.access(here, os.W_OK):
        return here / "__pycache__" / name
    return Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / "glasswright" / name


ANY_ORDER: Final[dict[str, Any]] = {"fastmath": {"reassoc", "contract", "nsz", "arcp"}, "error_model": "numpy"}
"""Options for sums in any order, without checks for division by zero."""


def compiled(function: F) -> F:
    """Compile a function of arrays and numbers with numba; it runs without the interpreter's lock.

    The compiled code is cached on disk, with all `part` functions that it calls.
    """
    return _compile(function, {})


def compiled_in_any_order(function: F) -> F:
    """Compile as `compiled`, with the options ANY_ORDER."""
    return _compile(function, ANY_ORDER)


def part(function: F) -> F:
    """Compile a function that only compiled functions call; it has no cache of its own."""
    return cast("F", numba.njit(nogil=True)(function))


def part_in_any_order(function: F) -> F:
    """Compile as `part`, with the options ANY_ORDER."""
    return cast("F", numba.njit(nogil=True, **ANY_ORDER)(function))


def _compile(function: F, options: dict[str, Any]) -> F:
    settings = vars(numba.config)
    before = settings["CACHE_DIR"]
    settings["CACHE_DIR"] = str(_FOLDER)
    try:
        return cast("F", numba.njit(cache=True, nogil=True, **options)(function))
    finally:
        settings["CACHE_DIR"] = before


class Compilation(Listener):
    """Prints a message when code is compiled: once for each version on a machine, by the first process.

    Garbage collection is off meanwhile; it takes a tenth of the time, and finds little among numba's many objects.
    """

    def __init__(self, folder: Path) -> None:
        """Take the folder of compiled code, in which a file marks that the message was printed."""
        self._mark = folder / "announced"
        self._is_announced = False
        self._depth = 0
        self._collects = False

    def on_start(self, event: object) -> None:
        """Announce the first compilation; a function is compiled within that of its caller."""
        del event
        if self._depth == 0:
            self._collects = gc.isenabled()
            gc.disable()
        self._depth += 1
        if not self._is_announced:
            self._is_announced = True
            self._announce()

    def on_end(self, event: object) -> None:
        """Collect garbage again after the outermost compilation."""
        del event
        self._depth -= 1
        if self._depth == 0 and self._collects:
            gc.enable()

    def _announce(self) -> None:
        try:
            self._mark.parent.mkdir(parents=True, exist_ok=True)
            self._mark.touch(exist_ok=False)
        except OSError:
            return
        text = "compiling the measuring code, once for this version on this machine; it takes about a minute"
        os.write(STANDARD_ERROR, f"glasswright: {text}\n".encode())


_FOLDER = cache_folder()
register("numba:compile", Compilation(_FOLDER))  # type: ignore[no-untyped-call]
