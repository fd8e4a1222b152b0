"""Which tickets a folder stands for whose ticket file cannot be read: what was measured of them no longer counts."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from glasswright.config.ticket.file import TICKET_FILE
from glasswright.intake.checksums import hash_file, read_checksums
from glasswright.intake.folder import list_shots
from glasswright.ledger.attempts import known_tickets, tickets_measured_from, tickets_of_shots
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from glasswright.ledger import Ledger

NUMBER_LINE: Final = re.compile(rb"^\s*[\"']?ticket[\"']?\s*:\s*[\"']?([^\s\"'#]+)", re.MULTILINE)
"""The line that names the ticket, in a file that is no YAML any more."""
LARGEST_BYTES: Final = 2**20


def find_tickets_of(ledger: Ledger, folder: Path, roles: Collection[str]) -> tuple[str, ...]:
    """Return the tickets of the ledger that a folder may stand for whose ticket file cannot be read.

    That is any ticket that is named by what is left of the file, by the folder's name, or that was measured from a
    folder of that name or from most of the raw files that lie in it. So neither renaming the folder nor spoiling the
    file keeps an old decision alive. Most of the files, because tickets of one night may share dark and panel shots.

    Parameters
    ----------
    roles
        Folder names that hold shots.
    """
    name = escape(folder.name)
    found = set(known_tickets(ledger.database, {_read_number(folder / TICKET_FILE), name}))
    found |= set(tickets_measured_from(ledger.database, name))
    hashes = _hash_shots(folder, roles)
    shared = tickets_of_shots(ledger.database, hashes)
    found |= {ticket for ticket, count in shared.items() if 2 * count > len(hashes)}
    return tuple(sorted(found))


def _read_number(path: Path) -> str:
    """Read the ticket's number from a file that may hold anything; empty if there is none."""
    try:
        if not path.is_file():
            return ""
        with path.open("rb") as file:
            match = NUMBER_LINE.search(file.read(LARGEST_BYTES))
    except OSError:
        return ""
    return match[1].decode(errors="replace") if match else ""


def _hash_shots(folder: Path, roles: Collection[str]) -> frozenset[str]:
    """The SHA-256 of the raw files of a folder, as far as it can be read; those listed at capture are believed."""
    hashes: set[str] = set()
    try:
        hashes |= {sha256 for name, sha256 in read_checksums(folder).by_name.items() if name.partition("/")[0] in roles}
        if not hashes:
            hashes |= {hash_file(path) for _, path in list_shots(folder, roles).files}
    except OSError:
        pass
    return frozenset(hashes)
