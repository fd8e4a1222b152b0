"""The writer's lock beside the ledger; the kernel releases it when its holder ends."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import socket
import sys
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING

from glasswright.errors import LedgerBusyError
from glasswright.ledger.place import DiskFullError, LedgerPlaceError
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from pathlib import Path


class WriterLock:
    """The right to write to one ledger, held until `release` or the end of the process.

    The lock is a file of its own: closing any handle on the database would let go the locks that SQLite holds in this
    process (POSIX, fcntl(2)).
    """

    def __init__(self, ledger: Path) -> None:
        """Take the lock, and write into it who holds it.

        Parameters
        ----------
        ledger
            The real path of its file: a link has no lock of its own.

        Raises
        ------
        LedgerBusyError
            If another process holds it; the message says which.
        DiskFullError
            If there is no room for it.
        LedgerPlaceError
            If nothing can be written where it lies.
        """
        try:
            self._file = os.open(_lock_path(ledger), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
        except OSError as error:
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                msg = f"{ledger}: the disk is full: make room and run again; nothing kept is lost"
                raise DiskFullError(msg) from error
            why = f"its lock {_lock_path(ledger).name} cannot be written ({error.strerror or error})"
            raise LedgerPlaceError(f"{ledger}: {why}: check who may write there, or choose another --ledger") from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _describe_holder(os.pread(self._file, 65536, 0))
            os.close(self._file)
            msg = f"{ledger}: another run holds this ledger: {holder}. Wait for it to end, or stop it, and try again"
            raise LedgerBusyError(msg) from None
        about = {
            "pid": os.getpid(),
            "host": socket.gethostname(),
            "started": datetime.now().astimezone().isoformat(timespec="seconds"),
            "command": escape(" ".join(sys.argv)),
        }
        # on a full disk the lock holds all the same, and what is written next says that the disk is full
        with suppress(OSError):
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, json.dumps(about).encode(), 0)

    def release(self) -> None:
        """Let the lock go; its file stays, since removing it would let two hold it."""
        os.close(self._file)


def _lock_path(ledger: Path) -> Path:
    return ledger.with_name(ledger.name + ".lock")


def _describe_holder(text: bytes) -> str:
    try:
        about = json.loads(text)
        return f"process {about['pid']} on {about['host']}, started {about['started']}, `{about['command']}`"
    except (ValueError, KeyError, TypeError):
        return "it has not said yet which process it is"
