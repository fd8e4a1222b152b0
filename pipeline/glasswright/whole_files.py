"""Atomic writing: a file is replaced whole or not at all. Everything that others may be reading is written this way."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@contextmanager
def whole_file(path: Path, *, durable: bool = False, before: Callable[[], None] | None = None) -> Iterator[Path]:
    """Yield a temporary path to write to, which then replaces `path`.

    If anything fails, `path` is unchanged and the temporary file is removed.

    Parameters
    ----------
    path
        The file; its folder must exist.
    durable
        Whether the file must survive a power cut once this returns.
    before
        Called when all is written, just before the file is replaced; if it raises, the file is unchanged.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    # hidden and unique to this process, so that nobody mistakes it for the file
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield part
        if durable:
            _sync(part, os.O_RDONLY)
        if before is not None:
            before()
        part.replace(path)
        if durable:
            # the new name is durable once the folder and the folder's parent are synchronised
            _sync(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            _sync(path.parent.parent, os.O_RDONLY | os.O_DIRECTORY)
    finally:
        part.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes, *, durable: bool = True) -> None:
    """Write bytes to a file, whole or not at all; make its folder if needed.

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
