"""The lenses that limits are tuned from: which of the ledger's tickets count, and why the others do not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from glasswright.judging.gate import RELEASING_PHASE
from glasswright.judging.validity import TicketView, why_not_valid
from glasswright.statistics.robust import far_below
from glasswright.tuning.sides import read_side

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from glasswright.judging.card import Card
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState
    from glasswright.ledger.returned import Returned
    from glasswright.tuning.sides import Reading, Side

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """One lens as one ticket measured it."""

    ticket: str
    serial: str
    measured_at: str
    rehearsed: bool
    readings: tuple[Reading, ...]
    """One for each side."""
    bad: str = ""
    """Why it is counted among the bad ones; empty for a healthy one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A ticket that counts for nothing here."""

    ticket: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What there is to tune from."""

    sides: tuple[Side, ...]
    healthy: tuple[Lens, ...]
    """One ticket for each lens, whether it passed or not: only those that passed would make every tuning tighter."""
    bad: tuple[Lens, ...]
    """Those that came back, and those that lie too far off to be of the healthy population."""
    left_out: tuple[LeftOut, ...]
    rehearsed: bool
    digest: str
    """SHA-256 that names what was looked at: the tickets and what was measured of each."""

    def values(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Give (lenses,) the turned values on a side, NaN where there is none."""
        return np.array([lens.readings[side].value for lens in lenses], dtype=np.float64)

    def uncertainties(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Give (lenses,) their standard uncertainties."""
        return np.array([lens.readings[side].u for lens in lenses], dtype=np.float64)

    def guarded(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Give (lenses,) what must reach the limit for a lens to pass: its value less the guard band."""
        return self.values(side, lenses) - self.sides[side].guard * self.uncertainties(side, lenses)

    def complete(self, sides: Iterable[int]) -> tuple[Lens, ...]:
        """Give the healthy lenses that have a value on all of these sides."""
        wanted = tuple(sides)
        return tuple(lens for lens in self.healthy if all(lens.readings[side].known for side in wanted))


def collect(
    states: Iterable[TicketState],
    marks: Mapping[str, Returned],
    card: Card,
    sides: Sequence[Side],
    stand: JudgingStand,
) -> Evidence:
    """Choose the tickets of a card's model that its limits can be tuned from.

    Those of the release phase for which the card holds, rehearsed ones only where there are no others, and of each
    lens the first: later visits tell of the same lens again, and taking the last would take what passed.
    """
    left_out: list[LeftOut] = []
    lenses, names = [], []
    release = [state for state in states if state.record.ticket.phase == RELEASING_PHASE]
    some_real = any(not state.record.ticket.rehearsed for state in release)
    for state in sorted(release, key=lambda state: (state.measured_at, state.record.ticket.number)):
        lens, why = _read_lens(state, marks, card, sides, stand)
        why = "its frames were rendered, and there are lenses that were not" if some_real and lens.rehearsed else why
        if why:
            left_out.append(LeftOut(ticket=lens.ticket, why=why))
            continue
        lenses.append(lens)
        names.append(f"{lens.ticket} {state.content} {lens.bad}")
    first, repeats = _take_first_visits(lenses)
    healthy, far = set_far_apart([lens for lens in first if not lens.bad], sides)
    return Evidence(
        sides=tuple(sides),
        healthy=healthy,
        bad=(*(lens for lens in first if lens.bad), *far),
        left_out=(*left_out, *repeats),
        rehearsed=bool(lenses) and not some_real,
        digest=sha256("\n".join(sorted(names)).encode()).hexdigest(),
    )


def _read_lens(
    state: TicketState, marks: Mapping[str, Returned], card: Card, sides: Sequence[Side], stand: JudgingStand
) -> tuple[Lens, str]:
    ticket, view = state.record.ticket, TicketView.of(state)
    reasons = why_not_valid(view, card, stand)
    readings = () if reasons else tuple(read_side(view, card, side, stand) for side in sides)
    mark = marks.get(ticket.number)
    lens = Lens(
        ticket=ticket.number,
        serial=ticket.serial,
        measured_at=state.measured_at,
        rehearsed=ticket.rehearsed,
        readings=readings,
        bad=f"came back: {mark.why}" if mark is not None and mark.came_back else "",
    )
    if reasons:
        return lens, "; ".join(reasons)
    if readings and not any(reading.known for reading in readings):
        return lens, f"nothing that the card asks for was measured: {readings[0].why}"
    return lens, ""


def _take_first_visits(lenses: Iterable[Lens]) -> tuple[list[Lens], list[LeftOut]]:
    """Keep the first visit of every lens, and every visit after which it came back."""
    kept: list[Lens] = []
    repeats: list[LeftOut] = []
    first: dict[str, str] = {}
    for lens in lenses:
        if not lens.bad and lens.serial in first:
            why = f"the same lens (serial {lens.serial}) counts with ticket {first[lens.serial]} already"
            repeats.append(LeftOut(ticket=lens.ticket, why=why))
            continue
        if not lens.bad:
            first[lens.serial] = lens.ticket
        kept.append(lens)
    return kept, repeats


def set_far_apart(lenses: Sequence[Lens], sides: Sequence[Side]) -> tuple[tuple[Lens, ...], tuple[Lens, ...]]:
    """Set the lenses apart that on some side lie too far on the bad side of the others."""
    reasons: dict[int, str] = {}
    for number, side in enumerate(sides):
        known = [place for place, lens in enumerate(lenses) if lens.readings[number].known]
        values = np.array([lenses[place].readings[number].value for place in known])
        if len(values) == 0:
            continue
        for place in np.flatnonzero(far_below(values)):
            value = side.turn(float(values[place]))
            reasons.setdefault(known[place], f"far off the others: {value:.4g} for {side.limit.measure}")
    healthy = tuple(lens for place, lens in enumerate(lenses) if place not in reasons)
    far = tuple(replace(lenses[place], bad=why) for place, why in sorted(reasons.items()))
    return healthy, far
