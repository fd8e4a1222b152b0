"""The tickets of a phase, found without reading their measurements."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from glasswright.ledger.store import Ledger


def tickets_of_phase(ledger: Ledger, phase: str) -> tuple[str, ...]:
    """Return the numbers of the tickets whose latest record has a phase, sorted."""
    sql = (
        "SELECT ticket FROM manifest WHERE id IN (SELECT max(id) FROM manifest WHERE ticket != '' GROUP BY ticket) "
        "AND json_extract(record, '$.fields.ticket.fields.phase') = ? ORDER BY ticket"
    )
    return tuple(str(ticket) for (ticket,) in ledger.database.rows(sql, phase))
