"""The ends of a card's limits, each turned so that less is worse: then every one of them is a lower limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Literal

from glasswright.judging.judge import judge_limit

if TYPE_CHECKING:
    from glasswright.judging.card import Card, Limit
    from glasswright.judging.judge import JudgingStand
    from glasswright.judging.validity import TicketView
    from glasswright.ledger.verdict import LimitVerdict

End = Literal["min", "max"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One end of one limit of a card."""

    place: int
    """Of the limit in the card, from 0."""
    limit: Limit
    end: End
    guard: float
    """Standard uncertainties that a value must lie inside the limit to pass; 0 for the simple rule."""
    confidence: float
    """Probability that what passes conforms; one half for the simple rule."""

    @property
    def number(self) -> float | None:
        """The limit as the card has it."""
        return self.limit.min if self.end == "min" else self.limit.max

    @property
    def bound(self) -> float | None:
        """The limit, turned."""
        return None if self.number is None else self.turn(self.number)

    def turn(self, value: float) -> float:
        """Turn a value so that less is worse, or turn it back."""
        return value if self.end == "min" else -value

    def __str__(self) -> str:
        """Name the side: `measure_mtf50.green.centre.mean_cy_per_px at f/2, min`."""
        at = str(self.limit.at)
        return f"{self.limit.measure}{f' at {at}' if at != 'any setting' else ''}, {self.end}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What one ticket has on one side: its worst place, where the limit holds at several."""

    value: float
    """Turned; NaN where nothing was measured."""
    u: float
    """Standard uncertainty; 0 under the simple rule where none is known."""
    why: str = ""
    """Why there is no value."""

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return math.isfinite(self.value)


def sides_of(card: Card) -> tuple[Side, ...]:
    """Give every end that the card's limits have, in the card's order."""
    return tuple(
        make_side(card, place, limit, end)
        for place, limit in enumerate(card.limits)
        for end in ("min", "max")
        if getattr(limit, end) is not None
    )


def make_side(card: Card, place: int, limit: Limit, end: Literal["min", "max"]) -> Side:
    """Give one end of a limit, with the guard band that the card's rule asks of it."""
    guarded = card.rule_of(limit) == "guarded"
    confidence = card.confidence_of(limit) if guarded else 0.5
    guard = NormalDist().inv_cdf(confidence) if guarded else 0.0
    return Side(place=place, limit=limit, end=end, guard=guard, confidence=confidence)


def read_side(view: TicketView, card: Card, side: Side, stand: JudgingStand) -> Reading:
    """Read a ticket as judging would: the same places, values and uncertainties."""
    found = [_read(side, verdict) for verdict in judge_limit(view, card, side.limit, stand, "")]
    for reading in found:
        if not reading.known:
            return reading
    return min(found, key=lambda reading: reading.value - side.guard * reading.u)


def _read(side: Side, verdict: LimitVerdict) -> Reading:
    if verdict.value is None or not math.isfinite(verdict.value):
        return Reading(value=math.nan, u=math.nan, why=f"{verdict.at}: {verdict.reason}")
    if verdict.u is None and side.guard > 0:
        return Reading(value=math.nan, u=math.nan, why=f"{verdict.at}: {verdict.reason}")
    return Reading(value=side.turn(verdict.value), u=verdict.u or 0.0)
