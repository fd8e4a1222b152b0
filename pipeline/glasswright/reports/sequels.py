"""Sentences of plugins on how a result changed between two visits of a lens."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.reports.artefacts import load_whole
from glasswright.reports.names import installed_plugins

if TYPE_CHECKING:
    from glasswright.ledger import Ledger, TicketState


def find_sequels(ledger: Ledger, before: TicketState, after: TicketState) -> tuple[str, ...]:
    """Return the plugins' sentences (`SEQUELS`) on the results of the whole ticket at two visits of one lens."""
    describe = installed_plugins().drawings.sequels
    if not describe or before.record.ticket.serial != after.record.ticket.serial:
        return ()
    first, second = load_whole(ledger, before), load_whole(ledger, after)
    return tuple(
        sentence
        for step, result in first.items()
        if type(result) in describe and type(second.get(step)) is type(result)
        for sentence in describe[type(result)](result, second[step])
    )
