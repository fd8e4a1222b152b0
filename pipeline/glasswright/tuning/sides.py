"""The sides (min or max) of a card's limits, oriented so that lower is worse: then each is a lower limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from glasswright.judging.judge import assess_limit

if TYPE_CHECKING:
    from glasswright.judging.card import Card, Limit
    from glasswright.judging.judge import Assessed, JudgingStand
    from glasswright.judging.validity import TicketView

End = Literal["min", "max"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One end of one limit of a card."""

    place: int
    """Index of the limit in the card, from 0."""
    limit: Limit
    end: End
    guarded: bool
    """Whether a value must be inside by a guard band to pass."""

    @property
    def number(self) -> float | None:
        """The limit in the card's units."""
        return self.limit.min if self.end == "min" else self.limit.max

    @property
    def bound(self) -> float | None:
        """The limit, oriented."""
        return None if self.number is None else self.turn(self.number)

    @property
    def must_hold(self) -> float | None:
        """The oriented true value at or below which the card requires that a lens is held."""
        number = self.limit.must_hold_below if self.end == "min" else self.limit.must_hold_above
        return None if number is None else self.turn(number)

    def turn(self, value: float) -> float:
        """Turn a value so that less is worse, or turn it back."""
        return value if self.end == "min" else -value

    def __str__(self) -> str:
        """Name the side: `measure_mtf50.green.centre.mean_cy_per_px at f/2, min`."""
        at = str(self.limit.at)
        return f"{self.limit.measure}{f' at {at}' if at != 'any setting' else ''}, {self.end}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The value of one ticket on one side: the worst, if the limit applies at several settings."""

    value: float
    """Oriented value; NaN if not measured."""
    u: float
    """Standard uncertainty; 0 if unknown under the simple rule."""
    band: float
    """Guard band."""
    why: str = ""
    """Why there is no value; empty if there is one."""

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return math.isfinite(self.value)


def sides_of(card: Card) -> tuple[Side, ...]:
    """Return every side of the card's limits, in the card's order."""
    return tuple(
        Side(place=place, limit=limit, end=end, guarded=card.rule_of(limit) == "guarded")
        for place, limit in enumerate(card.limits)
        for end in ("min", "max")
        if getattr(limit, end) is not None
    )


def read_side(view: TicketView, card: Card, side: Side, stand: JudgingStand) -> Reading:
    """Return a ticket's reading as judging would: same settings, values, uncertainties and guard bands."""
    found = [_read(side, each) for each in assess_limit(view, card, side.limit, stand, "")]
    for reading in found:
        if not reading.known:
            return reading
    return min(found, key=lambda reading: reading.value - reading.band)


def _read(side: Side, assessed: Assessed) -> Reading:
    verdict = assessed.verdict
    if verdict.value is None or not math.isfinite(verdict.value) or verdict.guard is None:
        return Reading(value=math.nan, u=math.nan, band=math.nan, why=f"{verdict.at}: {verdict.reason}")
    if assessed.caveats:
        why = f"{verdict.at}: it has the caveat {', '.join(assessed.caveats)}, which the limit does not accept"
        return Reading(value=math.nan, u=math.nan, band=math.nan, why=why)
    return Reading(value=side.turn(verdict.value), u=verdict.u or 0.0, band=verdict.guard)
