"""Artefacts as files beside the ledger, each named by the SHA-256 of its bytes."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

from glasswright.errors import GlasswrightError, LedgerDamagedError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


class ArtefactFiles:
    """The folder `<ledger>.files`: a file is whole or not there, and `sha256sum` can check it."""

    def __init__(self, ledger: Path) -> None:
        """Name the folder; it is made with the first file."""
        self.folder = ledger.with_name(ledger.name + ".files")

    def write(self, data: bytes) -> str:
        """Keep bytes for good and give their SHA-256; the same bytes are kept once."""
        sha256 = hashlib.sha256(data).hexdigest()
        path = self._path(sha256)
        if path.exists() and path.read_bytes() == data:
            return sha256
        try:
            write_whole(path, data)
        except OSError as error:
            msg = f"{path}: cannot be written ({error.strerror}): make room or check who may write there, and run again"
            raise GlasswrightError(msg) from error
        return sha256

    def read(self, sha256: str) -> bytes:
        """Give the bytes of that SHA-256.

        Raises
        ------
        LedgerDamagedError
            If the file is missing or its bytes have another SHA-256.
        """
        path = self._path(sha256)
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            msg = f"{path}: the ledger names this file, and it is missing: restore it from a backup"
            raise LedgerDamagedError(msg) from None
        except OSError as error:
            msg = f"{path}: the ledger names this file, and it cannot be read ({error.strerror}): see to the disk"
            raise LedgerDamagedError(msg) from error
        found = hashlib.sha256(data).hexdigest()
        if found != sha256:
            msg = f"{path}: the file's bytes have changed (SHA-256 is now {found[:12]}...): restore it from a backup"
            raise LedgerDamagedError(msg)
        return data

    def names(self) -> Iterator[str]:
        """Give the SHA-256 in the name of every file kept."""
        return (path.name for path in self.folder.glob("??/*") if not path.name.startswith("."))

    def _path(self, sha256: str) -> Path:
        return self.folder / sha256[:2] / sha256


def write_whole(path: Path, data: bytes) -> None:
    """Write a file that is whole or not there, and lasts through a power cut."""
    path.parent.mkdir(parents=True, exist_ok=True)
    # a name of this process alone: the rename is what makes the file appear, whole
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    with temporary.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make new names last through a power cut: in the folder itself, and the folder in its parent."""
    for each in (folder, folder.parent):
        handle = os.open(each, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
