"""Judges tickets again from the ledger, without opening a raw file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from glasswright.judging.judge import JudgingStand, judge_ticket
from glasswright.judging.out_of_control import hold_passes
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from glasswright.config import WatchKeys
    from glasswright.judging.cards import CardFile
    from glasswright.ledger import TicketState
    from glasswright.ledger.store import Ledger
    from glasswright.ledger.verdict import Judgement
    from glasswright.watch.watching import WatchReport


class WatchedStand(JudgingStand, Protocol):
    """The parts of a stand file that judging needs if the stand may be watched."""

    @property
    def watch(self) -> WatchKeys | None:
        """How it is watched by its reference lens; None if it is not."""


def judge_tickets(
    ledger: Ledger, cards: Mapping[str, CardFile], stand: WatchedStand, tickets: Collection[str] | None = None
) -> tuple[Judgement, ...]:
    """Return the judgements of tickets (all if None) by their cards, sorted by ticket number; none is kept yet."""
    measures = {measure for file in cards.values() for measure in file.card.measures()}
    watched = read_watch(ledger, stand.watch, stand.name) if stand.watch is not None else None
    return tuple(
        judge_watched(state, cards.get(state.record.ticket.model), stand, watched)
        for state in ledger.latest_tickets(tickets, measures)
    )


def judge_watched(
    state: TicketState, file: CardFile | None, stand: JudgingStand, watched: WatchReport | None
) -> Judgement:
    """Judge a ticket by its card and by the control charts of its stand.

    Parameters
    ----------
    watched
        The charts; None if the stand is not watched.
    """
    judgement = judge_ticket(state, file, stand)
    return hold_passes(judgement, watched.out_of_control_of_ticket(state) if watched is not None else ())
