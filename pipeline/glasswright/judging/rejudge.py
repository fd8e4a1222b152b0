"""Judging what the ledger holds, without opening a raw file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.judge import judge_ticket

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from glasswright.judging.cards import CardFile
    from glasswright.judging.judge import JudgingStand
    from glasswright.judging.verdict import Judgement
    from glasswright.ledger.store import Ledger


def judge_tickets(
    ledger: Ledger, cards: Mapping[str, CardFile], stand: JudgingStand, tickets: Collection[str] | None = None
) -> tuple[Judgement, ...]:
    """Judge tickets (all if None) by their cards; give the judgements, by ticket number. Nothing is kept yet."""
    measures = {measure for file in cards.values() for measure in file.card.measures()}
    return tuple(
        judge_ticket(state, cards.get(state.record.ticket.model), stand)
        for state in ledger.latest_tickets(tickets, measures)
    )
