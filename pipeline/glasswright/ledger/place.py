"""Checks the file system a ledger lies on, and resolves links to it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from glasswright.errors import GlasswrightError
from glasswright.plain_text import escape

NETWORK_FILE_SYSTEMS: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "lustre", "fuse.sshfs", "fuse.glusterfs"}
)


class LedgerPlaceError(GlasswrightError):
    """The ledger's path is on a network file system or not UTF-8, or its folder is not there."""

    exit_code = 2


class DiskFullError(GlasswrightError):
    """Nothing more can be written where the ledger lies."""


def find_real_path(path: Path) -> Path:
    """Follow symbolic links, so that the files beside a ledger are the same ones by whatever link it is opened."""
    try:
        return path.resolve() if path.is_symlink() else path
    except (OSError, RuntimeError) as error:
        raise LedgerPlaceError(f"{path}: the link leads nowhere ({error}): correct --ledger") from error


def refuse_second_name(path: Path) -> None:
    """Refuse to write to a ledger that has several hard links.

    The lock and the write-ahead log of a database go by its name, so two names are two writers that do not know of each
    other.

    Raises
    ------
    LedgerPlaceError
        With the number of names.
    """
    names = path.stat().st_nlink if path.exists() else 1
    if names > 1:
        found = f"the file has {names} names (hard links), and its lock would hold for one of them only"
        msg = f"{path}: {found}: copy the ledger instead of linking it, and remove the other names"
        raise LedgerPlaceError(msg)


def check_place(path: Path, mountinfo: Path = Path("/proc/self/mountinfo")) -> None:
    """Refuse a ledger on a network file system, or one whose file alone is mounted from elsewhere.

    A lock may hold on one machine only there, or for one of two names.

    Parameters
    ----------
    path
        The ledger's file, there already or not.
    mountinfo
        The kernel's table of mounts (see proc_pid_mountinfo(5)); where there is none, nothing is refused.

    Raises
    ------
    LedgerPlaceError
        Naming the mount and its kind, or that there is no such folder.
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
        what = "the file itself is a mount point, so it has another name elsewhere and its lock would hold for one"
        raise LedgerPlaceError(f"{path}: {what}: name it by its own folder, or mount the whole folder")


def find_mount(path: Path, mountinfo: str) -> tuple[str, str]:
    """Return the mount point that holds a path, and the kind of its file system."""
    found = ("/", "")
    for line in mountinfo.splitlines():
        before, separator, after = line.partition(" - ")
        fields = before.split(" ")
        if not separator or len(fields) < 5:
            continue
        mount = re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), fields[4])
        # the last of equal mount points lies on top of the others
        if path.is_relative_to(mount) and len(mount) >= len(found[0]):
            found = (mount, after.split(" ")[0])
    return found
