"""Findings of persons who inspected a lens again, kept as events.

Tuning counts a lens that a limit held as healthy only after somebody found it sound. A finding concerns the
measurements at that time: once the ticket is measured again, it no longer counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.ledger.store import Ledger


class Finding(StrEnum):
    """Result of an inspection."""

    SOUND = "sound"
    FAULTY = "faulty"
    WITHDRAWN = "withdrawn"
    """An earlier finding was a mistake."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """One inspection."""

    ticket: str
    content: str
    """Hash of the ticket's measurements: `TicketState.content`."""
    finding: Finding
    person: str
    why: str
    inspected_at: str
    """Start time of the run that wrote it."""


def add_inspected(ledger: Ledger, run: int, ticket: str, content: str, finding: Finding, person: str, why: str) -> None:
    """Add a finding."""
    values = (ticket, content, finding.value, person, why)
    with ledger.database.transaction():
        ledger.database.insert("inspected", None, run, *values, row_hash(*values))


def latest_inspected(ledger: Ledger) -> Mapping[str, Inspected]:
    """Return the latest finding of every ticket that has one, checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If a finding does not match its hash.
    """
    sql = (
        "SELECT inspected.id, ticket, content, finding, person, why, inspected.hash, started_at FROM inspected "
        "JOIN run ON run.id = run ORDER BY inspected.id"
    )
    found = {}
    for number, ticket, content, finding, person, why, hashed, started_at in ledger.database.rows(sql):
        if row_hash(ticket, content, finding, person, why) != hashed:
            msg = f"{ledger.database.path}: inspected {number} of ticket {ticket} does not match its hash"
            raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
        found[ticket] = Inspected(
            ticket=ticket, content=content, finding=Finding(finding), person=person, why=why, inspected_at=started_at
        )
    return found
