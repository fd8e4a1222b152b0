"""Ways in which a card is more lenient than the defaults; they are printed with the decision."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.card import Card

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.ledger.records import TicketState


def note_lenience(card: Card, state: TicketState) -> tuple[str, ...]:
    """Return notes on limits that ignore a known uncertainty, have a low confidence, or accept caveats.

    Parameters
    ----------
    state
        State with at least the measurements that the card names.
    """
    default = float(Card.model_fields["confidence"].default)
    low = {card.confidence_of(limit) for limit in card.limits if card.rule_of(limit) == "guarded"}
    return (
        *(
            f"the card asks for a confidence of {each:.6g} (default: {default:g})"
            for each in sorted(low)
            if each < default
        ),
        *_note_simple(card, state),
        *_note_accepted(card, state),
    )


def _note_simple(card: Card, state: TicketState) -> Iterator[str]:
    simple = {(limit.step, limit.field) for limit in card.limits if card.rule_of(limit) == "simple"}
    found = {
        f"{outcome.step}.{path}"
        for outcome in state.outcomes
        for path, measured in outcome.measured.items()
        if measured.u is not None and (outcome.step, path) in simple
    }
    if found:
        yield f"decided without their uncertainty, by the card (`rule: simple`): {', '.join(sorted(found))}"


def _note_accepted(card: Card, state: TicketState) -> Iterator[str]:
    accepted = {
        caveat
        for limit in card.limits
        for outcome in state.outcomes
        if outcome.step == limit.step
        for caveat in {*outcome.caveats, *state.record.ticket.caveats}.intersection(limit.accept)
    }
    if accepted:
        yield f"caveats that the card accepts: {', '.join(sorted(accepted))}"
