"""Checks of a ledger's path and file system."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from glasswright.errors import GlasswrightError, LedgerDamagedError
from glasswright.plain_text import escape

DATABASE_START: Final = b"SQLite format 3\0"
NETWORK_FILE_SYSTEMS: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "lustre", "fuse.sshfs", "fuse.glusterfs"}
)


class LedgerPlaceError(GlasswrightError):
    """The ledger's path is on a network file system, is not UTF-8, or its folder does not exist."""

    exit_code = 2


class DiskFullError(GlasswrightError):
    """The ledger's disk is full."""


def find_real_path(path: Path) -> Path:
    """Resolve a symbolic link, so that the files beside a ledger are the same by whichever link it is opened."""
    try:
        return path.resolve() if path.is_symlink() else path
    except (OSError, RuntimeError) as error:
        raise LedgerPlaceError(f"{path}: the link is broken ({error}): correct --ledger") from error


def refuse_other_file(path: Path) -> None:
    """Refuse a file that is no database, before the lock's file is made beside it.

    Raises
    ------
    LedgerDamagedError
        If it has content that does not begin as a database of SQLite does (https://www.sqlite.org/fileformat.html).
    """
    try:
        with path.open("rb") as file:
            start = file.read(len(DATABASE_START))
    except OSError:
        return  # opening it says why
    if start and start != DATABASE_START:
        what = f"{path}: the ledger is damaged, or this is not a ledger (file is not a database)"
        raise LedgerDamagedError(f"{what}: restore it from a backup, or correct --ledger")


def refuse_second_name(path: Path) -> None:
    """Refuse to write to a ledger that has several hard links.

    The lock and the write-ahead log depend on the file's name, so two names would allow two writers at once.

    Raises
    ------
    LedgerPlaceError
        If it has; the message gives the number of names.
    """
    names = path.stat().st_nlink if path.exists() else 1
    if names > 1:
        found = f"the file has {names} names (hard links), and its lock would protect only one of them"
        msg = f"{path}: {found}: copy the ledger instead of linking it, and remove the other names"
        raise LedgerPlaceError(msg)


def check_place(path: Path, mountinfo: Path = Path("/proc/self/mountinfo")) -> None:
    """Refuse a ledger on a network file system, and one whose file is itself a mount point.

    There a lock may protect only on one machine, or only under one of two names.

    Parameters
    ----------
    path
        The ledger's file, existing or not.
    mountinfo
        The kernel's table of mounts (see proc_pid_mountinfo(5)); if there is none, nothing is refused.

    Raises
    ------
    LedgerPlaceError
        If it is refused, or its folder does not exist.
    """
    try:
        str(path.absolute()).encode()
    except UnicodeEncodeError:
        msg = f"{escape(str(path))}: the path is not UTF-8, which SQLite needs: rename it, or choose another --ledger"
        raise LedgerPlaceError(msg) from None
    if not path.parent.is_dir():
        msg = f"{path}: there is no folder {path.parent}: make it, or correct --ledger"
        raise LedgerPlaceError(msg)
    if not mountinfo.exists():
        return
    mount, kind = find_mount(path.resolve(), mountinfo.read_text(encoding="utf-8", errors="surrogateescape"))
    if kind in NETWORK_FILE_SYSTEMS:
        what = f"{mount} is a network file system ({kind}), where two runs could write at once"
        msg = f"{path}: {what}: keep the ledger on a disk of this machine"
        raise LedgerPlaceError(msg)
    if mount == str(path.resolve()):
        what = "the file itself is a mount point, so it has a second name and its lock would protect only one"
        raise LedgerPlaceError(f"{path}: {what}: name it by its own folder, or mount the whole folder")


def find_mount(path: Path, mountinfo: str) -> tuple[str, str]:
    """Return the mount point of a path, and the type of its file system."""
    found = ("/", "")
    for line in mountinfo.splitlines():
        before, separator, after = line.partition(" - ")
        fields = before.split(" ")
        if not separator or len(fields) < 5:
            continue
        mount = re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), fields[4])
        # of equal mount points the last one is in effect
        if path.is_relative_to(mount) and len(mount) >= len(found[0]):
            found = (mount, after.split(" ")[0])
    return found
