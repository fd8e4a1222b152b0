"""Ticket folders that are being copied: which of their files have arrived, and whether the copy is complete."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from glasswright.config.ticket.file import TICKET_FILE
from glasswright.formatting import format_count
from glasswright.intake.checksums import FILE_NAME, hash_file, read_checksums
from glasswright.intake.folder import list_shots, list_tickets
from glasswright.intake.index import find_absent
from glasswright.plain_text import escape_name

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from glasswright.intake.index import TicketRequest
    from glasswright.remote import AnyPath

SETTLED_S: Final = 1.0
"""Time without change after which a file counts as copied; a file being written changes many times a second."""
MOST_NAMED: Final = 3

Stamp = tuple[int, int, int]
"""Size in bytes, time of change and time of change of its entry, both in nanoseconds."""


@dataclass(slots=True, kw_only=True)
class Arriving:
    """The last known state of a ticket's folder."""

    folder: Path
    stamps: Mapping[str, Stamp] = field(default_factory=dict)
    """Stamps of its files, by name relative to the folder."""
    since: dict[str, float] = field(default_factory=dict)
    """Time at which each file was first seen in its present state, by the monotonic clock."""
    changed_at: float = 0.0
    """When anything last changed."""
    taken: Mapping[str, Stamp] | None = None
    """Stamps of the files when the ticket was last measured; None if it was not."""
    digests: dict[tuple[str, Stamp], str] = field(default_factory=dict)

    @property
    def is_new(self) -> bool:
        """Return whether it changed since it was last measured."""
        return self.stamps != self.taken

    @property
    def last_change_ns(self) -> int:
        """Return the time of the last change of a file, by the clock of the file system."""
        return max((max(stamp[1:]) for stamp in self.stamps.values()), default=0)

    def see(self, stamps: Mapping[str, Stamp], now: float) -> None:
        """Record the present state of the folder."""
        if stamps != self.stamps or not self.since:
            self.changed_at = now
        self.since = {
            name: self.since[name] if self.stamps.get(name) == stamp and name in self.since else now
            for name, stamp in stamps.items()
        }
        self.stamps = stamps

    def find_arrived(self, now: float) -> frozenset[str]:
        """Return the names of the files that have been copied."""
        return frozenset(name for name, since in self.since.items() if now - since >= SETTLED_S)

    def why_incomplete(self, request: TicketRequest, quiet_s: float, now: float) -> str:
        """Return what the copy still lacks; empty if it is complete.

        With SHA256SUMS it is complete when every listed shot is there and matches; without, when nothing has changed
        for some time.

        Parameters
        ----------
        request
            The request read from the ticket file.
        quiet_s
            That time.
        """
        checksums = read_checksums(self.folder)
        if not checksums.present:
            return "" if now - self.changed_at >= quiet_s else f"there is no {FILE_NAME}, and files still change"
        if len(self.find_arrived(now)) < len(self.stamps):
            return "files still change"
        aside = {each.file for each in request.remarks.set_aside}
        shots = {
            f"{role}/{escape_name(path.name)}": path for role, path in list_shots(self.folder, request.roles).files
        }
        absent = [name for name in find_absent(checksums, shots, request.roles) if name not in aside]
        if absent:
            return f"{_name(absent)} listed in {FILE_NAME} and not there yet"
        wrong = [
            name
            for name, path in shots.items()
            if name in checksums.by_name and name not in aside and self._digest(name, path) != checksums.by_name[name]
        ]
        return f"{_name(wrong)} not as {FILE_NAME} says: copy again" if wrong else ""

    def _digest(self, name: str, path: AnyPath) -> str:
        key = name, self.stamps.get(name, (0, 0, 0))
        if key not in self.digests:
            self.digests[key] = hash_file(path)
        return self.digests[key]


def _name(names: list[str]) -> str:
    shown = ", ".join(names[:MOST_NAMED])
    verb = "is" if len(names) == 1 else "are"
    more = "" if len(names) <= MOST_NAMED else f" and {format_count(len(names) - MOST_NAMED, 'more file')}"
    return f"{shown}{more} {verb}"


class DropFolder:
    """The folder into which tickets are copied."""

    def __init__(self, folder: Path) -> None:
        """Start without known folders."""
        self.folder = folder
        self._seen: dict[Path, Arriving] = {}

    def look(self, now: float) -> list[Arriving]:
        """Return the present ticket folders, the latest changed first; removed folders are dropped.

        Raises
        ------
        OSError
            If the folder cannot be read.
        """
        seen = {}
        for folder in list_tickets(self.folder):
            arriving = self._seen.get(folder) or Arriving(folder=folder)
            arriving.see(_read_stamps(folder), now)
            seen[folder] = arriving
        self._seen = seen
        return sorted(seen.values(), key=lambda each: -each.last_change_ns)


def _read_stamps(folder: Path) -> Mapping[str, Stamp]:
    """Stamp the files of a ticket's folder and of the folders in it; files removed meanwhile are skipped."""
    stamps = {}
    for path in (*folder.glob("*"), *folder.glob("*/*")):
        try:
            status = path.stat()
        except OSError:
            continue
        if not path.is_dir() and (path.parent != folder or path.name in (TICKET_FILE, FILE_NAME)):
            stamps[path.relative_to(folder).as_posix()] = (status.st_size, status.st_mtime_ns, status.st_ctime_ns)
    return stamps
