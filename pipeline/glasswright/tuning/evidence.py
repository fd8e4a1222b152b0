"""The lenses that limits are tuned from: which tickets of the ledger count, and why the others do not.

Healthy lenses are those that pass the current card and those that a person inspected and found sound.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from glasswright.intake.index import IDENTITY_CONTRADICTION
from glasswright.judging.gate import RELEASING_PHASE
from glasswright.judging.judge import assess_limit
from glasswright.judging.validity import TicketView, why_not_valid
from glasswright.ledger.inspected import Finding
from glasswright.ledger.verdict import Verdict
from glasswright.tuning.sides import read_side
from glasswright.watch.series import nights_of_ticket

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from glasswright.judging.card import Card
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState
    from glasswright.ledger.inspected import Inspected
    from glasswright.ledger.returned import Returned
    from glasswright.tuning.sides import Reading, Side

    Array = NDArray[np.float64]

REPAIR_PHASES = ("intake", RELEASING_PHASE)
"""Phases in which a later visit means that the lens was repaired again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Facts about tickets besides measurements, by ticket number."""

    returned: Mapping[str, Returned] = field(default_factory=dict)
    inspected: Mapping[str, Inspected] = field(default_factory=dict)
    out_of_control: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """Why the stand is out of control on a ticket's nights; only for tickets where it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """One lens as measured in one ticket."""

    ticket: str
    serial: str
    night: date
    rehearsed: bool
    readings: tuple[Reading, ...]
    """One for each side."""
    sound: str = ""
    """Who found it sound and why; empty if nobody inspected it."""
    bad: str = ""
    """Why it is known to be bad; empty if it is not."""
    held: str = ""
    """Measures by which the current card holds it, while nobody has inspected it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A ticket that is not used, and the reason."""

    ticket: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """The lenses to tune from, each group in order of time."""

    sides: tuple[Side, ...]
    healthy: tuple[Lens, ...]
    """Lenses that pass the current card, and those that a person found sound."""
    bad: tuple[Lens, ...]
    """Lenses that came back, and those that a person found faulty."""
    held: tuple[Lens, ...]
    """Lenses that the current card holds and nobody has inspected: their condition is unknown."""
    left_out: tuple[LeftOut, ...]
    rehearsed: bool
    digest: str
    """SHA-256 of the evidence: the tickets, their measurements and marks."""

    def values(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Return (lenses,) the oriented values on a side; NaN for a missing one."""
        return np.array([lens.readings[side].value for lens in lenses], dtype=np.float64)

    def uncertainties(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Return (lenses,) the standard uncertainties on a side."""
        return np.array([lens.readings[side].u for lens in lenses], dtype=np.float64)

    def bands(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Return (lenses,) the guard bands on a side."""
        return np.array([lens.readings[side].band for lens in lenses], dtype=np.float64)

    def guarded(self, side: int, lenses: Sequence[Lens]) -> Array:
        """Return (lenses,) the values minus the guard bands; a lens passes if this reaches the limit."""
        return self.values(side, lenses) - self.bands(side, lenses)

    def complete(self, sides: Iterable[int]) -> tuple[Lens, ...]:
        """Return the healthy lenses with a value on all of these sides."""
        wanted = tuple(sides)
        return tuple(lens for lens in self.healthy if all(lens.readings[side].known for side in wanted))


def collect(
    states: Sequence[TicketState],
    marks: Marks,
    card: Card,
    sides: Sequence[Side],
    stand: JudgingStand,
    since: date | None = None,
) -> Evidence:
    """Return the evidence from the tickets of a card's model.

    Tickets of the release phase for which the card is valid count; rehearsed ones only if there are no others. For each
    lens the last visit counts, or the last one that a person found sound: after earlier ones it was repaired again.

    Parameters
    ----------
    since
        Nights before this one do not count.
    """
    left_out: list[LeftOut] = []
    lenses, names = [], []
    ordered = sorted(states, key=_time)
    release = [state for state in ordered if state.record.ticket.phase == RELEASING_PHASE]
    some_real = any(not state.record.ticket.rehearsed for state in release)
    counting = _choose_visits(ordered, marks)
    for state in release:
        ticket = state.record.ticket
        lens = _read_lens(state, marks, card, sides, stand)
        why = _why_left_out(state, marks, card, stand, lens)
        other = counting[ticket.serial]
        if since is not None and lens.night < since:
            why = f"it was shot before {since}"
        elif some_real and ticket.rehearsed:
            why = "its frames were rendered, and there are real ones"
        elif not why and not lens.bad and other != ticket.number:
            why = f"the lens was repaired again: ticket {other} counts for it (serial {ticket.serial})"
        if why:
            left_out.append(LeftOut(ticket=ticket.number, why=why))
            continue
        lenses.append(lens)
        names.append(f"{lens.ticket} {state.content} {lens.bad or lens.sound or lens.held}")
    return Evidence(
        sides=tuple(sides),
        healthy=tuple(lens for lens in lenses if not lens.bad and not lens.held),
        bad=tuple(lens for lens in lenses if lens.bad),
        held=tuple(lens for lens in lenses if lens.held),
        left_out=tuple(left_out),
        rehearsed=bool(lenses) and not some_real,
        digest=sha256("\n".join(sorted(names)).encode()).hexdigest(),
    )


def _time(state: TicketState) -> tuple[str, str, str]:
    return nights_of_ticket(state)[-1].isoformat(), state.measured_at, state.record.ticket.number


def _choose_visits(ordered: Sequence[TicketState], marks: Marks) -> Mapping[str, str]:
    """Return serial number -> the ticket that counts for the lens: the last, or the last that a person found sound."""
    chosen: dict[str, str] = {}
    settled: set[str] = set()
    for state in ordered:
        ticket = state.record.ticket
        if _find_finding(state, marks) is Finding.SOUND:
            settled.add(ticket.serial)
        elif ticket.serial in settled or ticket.phase not in REPAIR_PHASES:
            continue
        chosen[ticket.serial] = ticket.number
    return chosen


def _find_finding(state: TicketState, marks: Marks) -> Finding | None:
    """Return a person's finding on a ticket's current measurements; None if there is none."""
    mark = marks.inspected.get(state.record.ticket.number)
    return mark.finding if mark is not None and mark.content == state.content else None


def _why_left_out(state: TicketState, marks: Marks, card: Card, stand: JudgingStand, lens: Lens) -> str:
    """Explain why a ticket is not evidence; empty if it is."""
    reasons = why_not_valid(TicketView.of(state), card, stand)
    reasons_of_stand = marks.out_of_control.get(lens.ticket, ())
    if reasons:
        return "; ".join(reasons)
    if state.pending:
        return f"its measurements do not count now: {state.pending}"
    if IDENTITY_CONTRADICTION in state.record.ticket.caveats or state.other_lenses:
        return "its files, or earlier runs, name another lens than ticket.yaml"
    if state.replaced_by:
        return f"ticket {state.replaced_by[0].ticket} replaces it"
    if reasons_of_stand:
        return f"the stand was out of control: {reasons_of_stand[0]}"
    if lens.readings and not any(reading.known for reading in lens.readings):
        return f"nothing that the card limits was measured: {lens.readings[0].why}"
    return ""


def _read_lens(state: TicketState, marks: Marks, card: Card, sides: Sequence[Side], stand: JudgingStand) -> Lens:
    ticket, view = state.record.ticket, TicketView.of(state)
    valid = not why_not_valid(view, card, stand)
    returned, looked = marks.returned.get(ticket.number), marks.inspected.get(ticket.number)
    finding = _find_finding(state, marks)
    by = f"{looked.person}: {looked.why}" if looked is not None else ""
    bad = f"found faulty by {by}" if finding is Finding.FAULTY else ""
    bad = f"came back: {returned.why}" if returned is not None and returned.came_back else bad
    sound = f"found sound by {by}" if finding is Finding.SOUND and not bad else ""
    return Lens(
        ticket=ticket.number,
        serial=ticket.serial,
        night=nights_of_ticket(state)[-1],
        rehearsed=ticket.rehearsed,
        readings=tuple(read_side(view, card, side, stand) for side in sides) if valid else (),
        sound=sound,
        bad=bad,
        held="" if bad or sound or not valid else _find_held(view, card, stand),
    )


def _find_held(view: TicketView, card: Card, stand: JudgingStand) -> str:
    """Return the measures by which the current card holds a lens; measures without a number do not count."""
    held = [
        each.verdict.measure
        for limit in card.limits
        for each in assess_limit(view, card, limit, stand, "")
        if each.verdict.verdict in (Verdict.REVIEW, Verdict.FAIL)
        and not each.caveats
        and each.verdict.guard is not None
    ]
    return ", ".join(dict.fromkeys(held))
