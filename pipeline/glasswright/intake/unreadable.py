"""The tickets that a folder with an unreadable ticket file may belong to: their measurements no longer count."""

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

    from glasswright.ledger import Ledger
    from glasswright.remote import AnyPath

NUMBER_LINE: Final = re.compile(rb"^\s*[\"']?ticket[\"']?\s*:\s*[\"']?([^\s\"'#]+)", re.MULTILINE)
"""The line with the ticket's number, in a file that is no longer valid YAML."""
LARGEST_BYTES: Final = 2**20


def find_tickets_of(ledger: Ledger, folder: AnyPath, roles: Collection[str]) -> tuple[str, ...]:
    """Return the tickets of the ledger that a folder with an unreadable ticket file may belong to.

    These are the tickets named in the rest of the file or by the folder's name, and those measured from a folder of
    that name or from most of its raw files (most, because tickets may share dark and panel shots). So neither renaming
    the folder nor damaging the file keeps an old decision valid.

    Parameters
    ----------
    roles
        Folder names that are roles.
    """
    name = escape(folder.name)
    found = set(known_tickets(ledger.database, {_read_number(folder / TICKET_FILE), name}))
    found |= set(tickets_measured_from(ledger.database, name))
    hashes = _hash_shots(folder, roles)
    shared = tickets_of_shots(ledger.database, hashes)
    found |= {ticket for ticket, count in shared.items() if 2 * count > len(hashes)}
    return tuple(sorted(found))


def _read_number(path: AnyPath) -> str:
    """Return the ticket's number from a damaged file; empty if there is none."""
    try:
        if not path.is_file():
            return ""
        with path.open("rb") as file:
            match = NUMBER_LINE.search(file.read(LARGEST_BYTES))
    except OSError:
        return ""
    return match[1].decode(errors="replace") if match else ""


def _hash_shots(folder: AnyPath, roles: Collection[str]) -> frozenset[str]:
    """Return the SHA-256 of a folder's raw files, as far as readable; taken from SHA256SUMS if that exists."""
    hashes: set[str] = set()
    try:
        hashes |= {sha256 for name, sha256 in read_checksums(folder).by_name.items() if name.partition("/")[0] in roles}
        if not hashes:
            hashes |= {hash_file(path) for _, path in list_shots(folder, roles).files}
    except OSError:
        pass
    return frozenset(hashes)
