"""Whether a change is better or worse by the card's limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.card import HAND_STEP, At, Limit
from glasswright.judging.decision import margin_of

if TYPE_CHECKING:
    from glasswright.judging.card import Card
    from glasswright.judging.compare.sides import Place


def find_limits(card: Card | None, place: Place, path: str) -> tuple[Limit, ...]:
    """Return a card's limits on a measure at a place; a listed hand check counts as a limit of at least 1."""
    if card is None:
        return ()
    step, setting = place
    measure = f"{step}.{path}"
    if step == HAND_STEP and path in {f"{name}.passed" for name in card.hand_checks}:
        return (Limit(measure=measure, min=1, rule="simple"),)
    return tuple(
        limit
        for limit in card.limits
        if limit.measure == measure and (limit.at == At() if setting is None else limit.at.holds(setting))
    )


def find_towards(limits: tuple[Limit, ...], first: float, second: float) -> str:
    """Return `better` if the margin to the limits increased, `worse` if it decreased, else an empty text."""
    if not limits:
        return ""
    lower, upper = limits[0].min, limits[0].max
    gain = margin_of(second, lower, upper) - margin_of(first, lower, upper)
    return "" if gain == 0 else "better" if gain > 0 else "worse"
