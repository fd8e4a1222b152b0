"""Writing a file whole or not at all: the one way in which the program replaces files that others may be reading."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@contextmanager
def whole_file(path: Path, *, durable: bool = False, before: Callable[[], None] | None = None) -> Iterator[Path]:
    """Yield a path beside `path` to write to, and put what was written there in its place once it is complete.

    Whatever fails, `path` is as it was, and nothing is left beside it.

    Parameters
    ----------
    path
        The file; its folder must exist.
    durable
        Whether it must last through a power cut once this returns.
    before
        Called when all is written, just before the file is replaced; what it raises leaves the file as it was.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    # the name is this process's own, and hidden, so that nobody takes it for the file
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        if durable:
            _sync(part, os.O_RDONLY)
        if before is not None:
            before()
        part.replace(path)
        if durable:
            # the name lasts if its folder does, and that if its parent does
            _sync(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            _sync(path.parent.parent, os.O_RDONLY | os.O_DIRECTORY)
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes, *, durable: bool = True) -> None:
    """Write bytes to a file, whole or not at all; the folder is made if it is not there.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with whole_file(path, durable=durable) as part:
        part.write_bytes(data)


def _sync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
