"""What is printed wherever a decision on a ticket is: by the gate, on its page, on its record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.hand_answers import note_answers
from glasswright.judging.shots import note_shots

if TYPE_CHECKING:
    from glasswright.ledger.records import TicketState


def notes_of(state: TicketState) -> tuple[str, ...]:
    """All that must be told of a ticket beside the decision: what its files showed, its shots, its hand checks."""
    return (*state.record.findings, *note_shots(state), *note_answers(state))
