"""Notes that are printed with every decision on a ticket: by the gate, on its page, on its record."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.hand_answers import note_answers
from glasswright.judging.shots import note_shots

if TYPE_CHECKING:
    from glasswright.ledger.records import TicketState


def notes_of(state: TicketState) -> tuple[str, ...]:
    """Return a ticket's notes: findings about its files, its shots and its hand checks."""
    return (*state.record.findings, *note_shots(state), *note_answers(state))
