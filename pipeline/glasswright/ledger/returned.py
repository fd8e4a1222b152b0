"""Lenses that came back after they were released, each mark an event that is added and never changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.ledger.store import Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """A ticket whose lens came back, or whose mark was taken back."""

    ticket: str
    came_back: bool
    why: str
    marked_at: str
    """When the run that wrote it started."""


def mark_returned(ledger: Ledger, run: int, ticket: str, why: str, *, came_back: bool = True) -> None:
    """Add the event that the lens of a ticket came back, or that an earlier such mark was a mistake."""
    values = (ticket, int(came_back), why)
    with ledger.database.transaction():
        ledger.database.insert("returned", None, run, *values, row_hash(*values))


def latest_returned(ledger: Ledger) -> Mapping[str, Returned]:
    """Give the latest event of every ticket that has one, each checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If an event is not what it was.
    """
    sql = (
        "SELECT returned.id, ticket, came_back, why, returned.hash, started_at FROM returned "
        "JOIN run ON run.id = run ORDER BY returned.id"
    )
    found = {}
    for number, ticket, came_back, why, hashed, started_at in ledger.database.rows(sql):
        if row_hash(ticket, came_back, why) != hashed:
            msg = f"{ledger.database.path}: returned {number} of ticket {ticket} does not match its hash"
            raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
        found[ticket] = Returned(ticket=ticket, came_back=bool(came_back), why=why, marked_at=started_at)
    return found
