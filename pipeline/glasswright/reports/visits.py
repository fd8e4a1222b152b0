"""Order of the visits of a lens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright.ledger import Ledger, TicketState

PHASES: Final = {"intake": 0, "release": 2}
"""Order of the visits of one night; any other phase is in between."""


def visit_order(state: TicketState) -> tuple[str, int, str]:
    """Return the sort key of a visit: time; in one night intake comes before release."""
    ticket = state.record.ticket
    return state.measured_at, PHASES.get(ticket.phase, 1), ticket.number


def choose_earlier(state: TicketState, others: Iterable[TicketState]) -> TicketState | None:
    """Return the latest visit before this one; None if it is the first."""
    earlier = [each for each in others if visit_order(each) < visit_order(state)]
    return max(earlier, key=visit_order, default=None)


def find_earlier_visit(ledger: Ledger, state: TicketState) -> TicketState | None:
    """Return the visit of the same lens before this one, with all its measurements; None if the ledger has none."""
    ticket = state.record.ticket
    sql = (
        "SELECT DISTINCT ticket FROM manifest WHERE ticket NOT IN ('', ?) "
        "AND json_extract(record, '$.fields.ticket.fields.model') = ? "
        "AND json_extract(record, '$.fields.ticket.fields.serial') = ?"
    )
    found = [str(row[0]) for row in ledger.database.rows(sql, ticket.number, ticket.model, ticket.serial)]
    same = [
        each
        for each in ledger.latest_tickets(found, ())
        if (each.record.ticket.model, each.record.ticket.serial) == (ticket.model, ticket.serial)
    ]
    chosen = choose_earlier(state, same)
    return ledger.latest_tickets([chosen.record.ticket.number])[0] if chosen is not None else None
