"""Whether a ledger may lie where it lies: its locks and shared memory work on one machine's own disks only."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from glasswright.errors import GlasswrightError

NETWORK_FILE_SYSTEMS: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "lustre", "fuse.sshfs", "fuse.glusterfs"}
)


class LedgerPlaceError(GlasswrightError):
    """The ledger's path is on a network file system, or its folder is not there."""

    exit_code = 2


def check_place(path: Path, mountinfo: Path = Path("/proc/self/mountinfo")) -> None:
    """Refuse a ledger on a network file system, where a lock may hold on one machine only.

    Parameters
    ----------
    path
        The ledger's file, there already or not.
    mountinfo
        The kernel's table of mounts (see proc_pid_mountinfo(5)); where there is none, nothing is refused.

    Raises
    ------
    LedgerPlaceError
        Naming the mount and its kind.
    """
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


def find_mount(path: Path, mountinfo: str) -> tuple[str, str]:
    """Give the mount point that holds a path, and the kind of its file system."""
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
