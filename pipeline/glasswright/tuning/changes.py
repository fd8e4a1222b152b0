"""The past tickets whose verdict other limits would change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.judging.gate import RELEASING_PHASE
from glasswright.judging.judge import judge_limit, judge_ticket
from glasswright.judging.validity import TicketView, why_not_valid
from glasswright.ledger.verdict import Verdict, fold

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright.judging.cards import CardFile
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState


@dataclass(frozen=True, slots=True, kw_only=True)
class Changed:
    """One ticket whose verdict would change."""

    ticket: str
    before: Verdict
    after: Verdict
    limits: tuple[tuple[int, Verdict, Verdict], ...]
    """(index in the card, verdict before, verdict after) of each limit whose verdict changes."""


def find_changes(
    states: Iterable[TicketState], before: CardFile, after: CardFile, stand: JudgingStand
) -> tuple[Changed, ...]:
    """Judge every past ticket of the release phase by both cards, and return those with changes."""
    found = []
    for state in states:
        if state.record.ticket.phase != RELEASING_PHASE:
            continue
        old, new = _judge_limits(state, before, stand), _judge_limits(state, after, stand)
        limits = tuple((place, was, now) for place, (was, now) in enumerate(zip(old, new, strict=True)) if was != now)
        if limits:
            changed = Changed(
                ticket=state.record.ticket.number,
                before=judge_ticket(state, before, stand).verdict,
                after=judge_ticket(state, after, stand).verdict,
                limits=limits,
            )
            found.append(changed)
    return tuple(found)


def _judge_limits(state: TicketState, file: CardFile, stand: JudgingStand) -> list[Verdict]:
    view = TicketView.of(state)
    refusal = "; ".join(why_not_valid(view, file.card, stand))
    return [
        fold(each.verdict for each in judge_limit(view, file.card, limit, stand, refusal)) for limit in file.card.limits
    ]
