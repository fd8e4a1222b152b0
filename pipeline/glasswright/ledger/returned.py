"""Marks that a released lens came back, kept as events."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.encoding import from_text
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.records import ShotUse, TicketRecord

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from glasswright.ledger.store import Database, Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """A mark that a ticket's lens came back, or the withdrawal of such a mark."""

    ticket: str
    came_back: bool
    marked_by: str
    """Who marked it; empty for a mark made before names were kept."""
    why: str
    marked_at: str
    """Start time of the run that wrote it."""
    run: int
    """Number of the run that wrote it."""

    def __str__(self) -> str:
        """Return what was marked, when, by whom and why."""
        what = "its lens came back" if self.came_back else "the mark that its lens came back was withdrawn"
        by = f" by {self.marked_by}" if self.marked_by else ""
        return f"{what}, ticket {self.ticket}, {self.marked_at}{by}: {self.why}"


def mark_returned(ledger: Ledger, run: int, ticket: str, by: str, why: str, *, came_back: bool = True) -> None:
    """Add a mark that a ticket's lens came back, or the withdrawal of an earlier mark."""
    values = (ticket, int(came_back), by, why)
    with ledger.database.transaction():
        ledger.database.insert("returned", None, run, *values, row_hash(*values))


def latest_returned(ledger: Ledger) -> Mapping[str, Returned]:
    """Return the latest mark of every ticket that has one, checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If a mark does not match its hash.
    """
    return latest_marks(ledger.database)


def latest_marks(database: Database, tickets: Collection[str] | None = None) -> Mapping[str, Returned]:
    """Return `latest_returned` for some tickets (all if None)."""
    which = "" if tickets is None else "WHERE ticket IN (SELECT value FROM json_each(?)) "
    sql = (
        "SELECT returned.id, run, ticket, came_back, marked_by, why, returned.hash, started_at FROM returned "
        f"JOIN run ON run.id = run {which}ORDER BY returned.id"
    )
    found = {}
    asked = [] if tickets is None else [json.dumps(sorted(tickets))]
    for number, run, ticket, came_back, marked_by, why, hashed, started_at in database.rows(sql, *asked):
        if row_hash(ticket, came_back, marked_by, why) != hashed:
            msg = f"{database.path}: mark {number} of ticket {ticket} does not match its hash"
            raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
        found[ticket] = Returned(
            ticket=ticket,
            came_back=bool(came_back),
            marked_by=marked_by,
            why=why,
            marked_at=started_at,
            run=run,
        )
    return found


def why_came_back(database: Database, mark: Returned, record: TicketRecord) -> str:
    """Explain that a lens came back and was not shot again since; empty if no mark invalidates the measurements.

    A lens that came back may have been opened, knocked or repaired, so no shot from before the mark describes it. The
    mark counts until the ticket is measured from new shots alone, or the mark is withdrawn.

    Parameters
    ----------
    mark
        The latest mark of the ticket, or of one that it replaces.
    record
        The current record of the ticket.
    """
    if not mark.came_back:
        return ""
    sql = "SELECT DISTINCT record FROM manifest WHERE ticket = ? AND run <= ?"
    earlier = [from_text(text) for (text,) in database.rows(sql, mark.ticket, mark.run)]
    before = [shot for each in earlier if isinstance(each, TicketRecord) for shot in each.shots]
    own = [shot for shot in record.shots if shot.role not in record.remarks.shared_roles]
    own = [shot for shot in own if shot.use is not ShotUse.ABSENT]
    old = [shot.name for shot in own if any(shot.is_same(other) for other in before)]
    if own and not old:
        return ""
    where = "" if mark.ticket == record.ticket.number else f" for ticket {mark.ticket}"
    by = f" by {mark.marked_by}" if mark.marked_by else ""
    what = f"its lens came back, as was marked on {mark.marked_at}{by}{where} ({mark.why})"
    if 0 < len(old) < len(own):
        what += f", and {', '.join(old)} are from before"
    return f"{what}: shoot all of it again, or withdraw the mark (`glasswright returned --withdraw`)"
