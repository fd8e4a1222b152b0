"""What an earlier run said of a ticket that its latest record no longer does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.encoding import from_text
from glasswright.ledger.records import TicketRecord

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.store import Database


def read_earlier_records(database: Database, ticket: str, manifest: int) -> tuple[TicketRecord, ...]:
    """Give the records of a ticket number before a manifest, the first one first."""
    sql = "SELECT DISTINCT record FROM manifest WHERE ticket = ? AND id < ? ORDER BY id"
    records = [from_text(text) for (text,) in database.rows(sql, ticket, manifest)]
    return tuple(each for each in records if isinstance(each, TicketRecord))


def find_other_lenses(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Give the lenses that the ticket number stood for before, but for the one it stands for."""
    lenses = {f"{each.ticket.model}, serial {each.ticket.serial}" for each in earlier}
    return tuple(sorted(lenses - {f"{record.ticket.model}, serial {record.ticket.serial}"}))


def find_gone_shots(record: TicketRecord, earlier: Sequence[TicketRecord]) -> tuple[str, ...]:
    """Give the shots that an earlier run measured and that the ticket no longer holds, by whatever name."""
    here = {shot.sha256 for shot in record.shots}
    return tuple(sorted({shot.name for each in earlier for shot in each.shots if shot.sha256 not in here}))
