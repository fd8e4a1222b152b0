"""Artefact files beside the ledger, each named by the SHA-256 of its content."""

from __future__ import annotations

import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError, LedgerDamagedError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping
    from pathlib import Path

MOST_AT_A_TIME: Final = 16
"""Number of files that are synchronised to the disk in parallel."""


class ArtefactFiles:
    """The folder `<ledger>.files`: files are written atomically, and `sha256sum` can check them."""

    def __init__(self, ledger: Path) -> None:
        """Set the folder; it is made with the first file."""
        self.folder = ledger.with_name(ledger.name + ".files")

    def write(self, data: bytes) -> str:
        """Keep bytes and return their SHA-256; equal content is kept once."""
        return self.write_all([data])[0]

    def write_all(self, contents: Iterable[bytes]) -> list[str]:
        """Keep several contents as `write` does, with one wait for the disk."""
        names, new = [], {}
        for data in contents:
            sha256 = hashlib.sha256(data).hexdigest()
            names.append(sha256)
            path = self._path(sha256)
            if not (path.exists() and path.read_bytes() == data):
                new[path] = data
        try:
            write_whole(new)
        except OSError as error:
            path = error.filename or self.folder
            msg = f"{path}: cannot be written ({error.strerror}): make room or check who may write there, and run again"
            raise GlasswrightError(msg) from error
        return names

    def read(self, sha256: str) -> bytes:
        """Return the content with that SHA-256.

        Raises
        ------
        LedgerDamagedError
            If the file is missing, or its content has another SHA-256.
        """
        path = self._path(sha256)
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            msg = f"{path}: the ledger names this file, and it is missing: restore it from a backup"
            raise LedgerDamagedError(msg) from None
        except OSError as error:
            msg = f"{path}: the ledger names this file, and it cannot be read ({error.strerror}): check the disk"
            raise LedgerDamagedError(msg) from error
        found = hashlib.sha256(data).hexdigest()
        if found != sha256:
            msg = f"{path}: the file's bytes have changed (SHA-256 is now {found[:12]}...): restore it from a backup"
            raise LedgerDamagedError(msg)
        return data

    def names(self) -> Iterator[str]:
        """Return the SHA-256 (the name) of every kept file."""
        return (path.name for path in self.folder.glob("??/*") if not path.name.startswith("."))

    def _path(self, sha256: str) -> Path:
        return self.folder / sha256[:2] / sha256


def write_whole(files: Mapping[Path, bytes]) -> None:
    """Write files atomically and durably: when this returns, they survive a power cut.

    The files are synchronised in parallel, because file systems combine concurrent syncs into one log write: forty
    files take hardly longer than one.
    """
    made: set[Path] = set()
    temporary = {}
    for path, data in files.items():
        if not path.parent.is_dir():
            path.parent.mkdir(parents=True, exist_ok=True)
            made.add(path.parent.parent)
        # a name unique to this process; the rename then makes the complete file visible
        temporary[path] = path.with_name(f".{path.name}.{os.getpid()}")
        temporary[path].write_bytes(data)
    _sync(temporary.values())
    for path, written in temporary.items():
        written.replace(path)
    # new names are durable once their folders are synchronised
    _sync({path.parent for path in files} | made)


def _sync(paths: Collection[Path]) -> None:
    """Wait until files, or the names in folders, are on the disk."""
    if len(paths) < 2:
        for path in paths:
            _sync_one(path)
        return
    with ThreadPoolExecutor(max_workers=min(len(paths), MOST_AT_A_TIME)) as pool:
        for done in [pool.submit(_sync_one, path) for path in paths]:
            done.result()


def _sync_one(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
