"""The writer's lock beside the ledger; the kernel releases it when the process ends."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import socket
import sys
import time
from contextlib import suppress
from datetime import datetime
from typing import TYPE_CHECKING, Final

from glasswright.errors import LedgerBusyError
from glasswright.ledger.place import DiskFullError, LedgerPlaceError
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

LONGEST_TEXT: Final = 65536
COMMIT_S: Final = 60.0
"""Longest wait for a commit, or for another command before a commit; either takes seconds at most."""
UNSAID_S: Final = 0.2
BETWEEN_S: Final = 0.02


class WriterLock:
    """The right to write to one ledger, held until `release` or the end of the process.

    A command that writes holds it while the ledger is open; a command that follows a folder, only during a commit.

    The lock is a separate file: closing any handle of the database would release the locks that SQLite holds in this
    process (POSIX, fcntl(2)).
    """

    def __init__(self, ledger: Path, *, for_commit: bool = False) -> None:
        """Take the lock, and write into it which process holds it; wait for a commit of another process.

        Parameters
        ----------
        ledger
            The real path of its file, not that of a link.
        for_commit
            Whether it is held only for a commit; then any other holder is waited for.

        Raises
        ------
        LedgerBusyError
            If another process holds it; the message says which.
        DiskFullError
            If the disk is full.
        LedgerPlaceError
            If its folder is not writable.
        """
        path = _lock_path(ledger)
        self._file = _open_file(ledger, path)
        begun = time.monotonic()
        while not _take(self._file):
            holder = os.pread(self._file, LONGEST_TEXT, 0)
            waited = time.monotonic() - begun
            # a process that has just taken it may not have written its purpose yet
            if waited > COMMIT_S if for_commit or _is_commit(holder) else waited > UNSAID_S:
                os.close(self._file)
                raise _busy(ledger, holder)
            time.sleep(BETWEEN_S)
        _write_holder(self._file, {"commit": for_commit})

    def release(self) -> None:
        """Release the lock; its file stays, because removing it would let two processes hold it."""
        os.close(self._file)


def _lock_path(ledger: Path) -> Path:
    return ledger.with_name(ledger.name + ".lock")


def _open_file(ledger: Path, path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            msg = f"{ledger}: the disk is full: make room and run again; nothing kept is lost"
            raise DiskFullError(msg) from error
        why = f"its lock {path.name} cannot be written ({error.strerror or error})"
        raise LedgerPlaceError(f"{ledger}: {why}: check who may write there, or choose another --ledger") from error


def _take(file: int) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _write_holder(file: int, more: Mapping[str, object]) -> None:
    about = {
        "pid": os.getpid(),
        "host": socket.gethostname(),
        "started": datetime.now().astimezone().isoformat(timespec="seconds"),
        "command": escape(" ".join(sys.argv)),
        **more,
    }
    # on a full disk the lock still works, and the next write reports the full disk
    with suppress(OSError):
        os.ftruncate(file, 0)
        os.pwrite(file, json.dumps(about).encode(), 0)


def _is_commit(text: bytes) -> bool:
    try:
        return bool(json.loads(text).get("commit"))
    except (ValueError, AttributeError):
        return False


def _busy(ledger: Path, holder: bytes) -> LedgerBusyError:
    who = _describe_holder(holder)
    return LedgerBusyError(
        f"{ledger}: another run holds this ledger: {who}. Wait for it to end, or stop it, and try again"
    )


def _describe_holder(text: bytes) -> str:
    try:
        about = json.loads(text)
        return f"process {about['pid']} on {about['host']}, started {about['started']}, `{about['command']}`"
    except (ValueError, KeyError, TypeError):
        return "a process that is not known yet"
