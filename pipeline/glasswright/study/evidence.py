"""The readings for a study, from the ledger's study tickets."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Final

from glasswright.intake.index import IDENTITY_CONTRADICTION
from glasswright.plugin.outcome import Status
from glasswright.statistics.crossed import Reading

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from glasswright.ledger import TicketState
    from glasswright.plugin.artefact import Setting

STUDY_PHASE: Final = "study"


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """One field of one lens model at one setting."""

    model: str
    measure: str
    """`step.field`."""
    at: Setting | None

    def __str__(self) -> str:
        """Return measure and setting as text."""
        return f"{self.measure} at {self.at}" if self.at is not None else self.measure


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A study ticket that is not used, and the reason."""

    ticket: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All readings of a study."""

    readings: Mapping[Subject, tuple[Reading, ...]]
    units: Mapping[str, str]
    """By `step.field`."""
    tickets: tuple[TicketState, ...]
    left_out: tuple[LeftOut, ...]
    rehearsed: bool


def collect(states: Collection[TicketState], stand: str, measures: Collection[str]) -> Evidence:
    """Return the readings from a stand's study tickets; rehearsed ones count only if there are no others.

    Parameters
    ----------
    measures
        `step.field` names, or patterns.
    """
    chosen, left_out = _choose(states, stand)
    fittings = name_fittings(chosen)
    left_out += [
        LeftOut(ticket=number, why="it names no fitting, but other tickets of the study do: add `study` to ticket.yaml")
        for number, fitting in fittings.items()
        if not fitting
    ]
    used = tuple(state for state in chosen if fittings[state.record.ticket.number])
    readings: dict[Subject, list[Reading]] = defaultdict(list)
    units: dict[str, str] = {}
    for state in used:
        ticket = state.record.ticket
        for measure, at, value, unit in _values(state, measures):
            subject = Subject(model=ticket.model, measure=measure, at=at)
            reading = Reading(lens=ticket.serial, fitting=fittings[ticket.number], ticket=ticket.number, value=value)
            readings[subject].append(reading)
            units[measure] = unit
    ordered = sorted(readings, key=lambda each: (each.model, each.measure, str(each.at or "")))
    return Evidence(
        readings={subject: tuple(readings[subject]) for subject in ordered},
        units=units,
        tickets=used,
        left_out=tuple(left_out),
        rehearsed=bool(used) and all(state.record.ticket.rehearsed for state in used),
    )


def _choose(states: Collection[TicketState], stand: str) -> tuple[list[TicketState], list[LeftOut]]:
    study = [state for state in states if state.record.ticket.phase == STUDY_PHASE]
    real = any(not state.record.ticket.rehearsed for state in study if state.record.stand == stand)
    chosen, left_out = [], []
    for state in sorted(study, key=lambda each: (each.record.nights or (each.measured_at,), each.record.ticket.number)):
        number = state.record.ticket.number
        if state.record.stand != stand:
            left_out.append(LeftOut(ticket=number, why=f"it was shot on stand `{state.record.stand}`"))
        elif IDENTITY_CONTRADICTION in state.record.ticket.caveats:
            left_out.append(LeftOut(ticket=number, why="its files name another lens or body than ticket.yaml"))
        elif real and state.record.ticket.rehearsed:
            left_out.append(LeftOut(ticket=number, why="its frames were rendered, and there are real ones"))
        else:
            chosen.append(state)
    return chosen, left_out


def name_fittings(states: Sequence[TicketState]) -> Mapping[str, str]:
    """Return ticket -> its fitting; empty if it names none although others of its model do.

    Parameters
    ----------
    states
        In order of time.
    """
    named_models = {state.record.ticket.model for state in states if _fitting_in(state)}
    count: dict[tuple[str, str], int] = defaultdict(int)
    named = {}
    for state in states:
        ticket = state.record.ticket
        count[ticket.model, ticket.serial] += 1
        by_order = str(count[ticket.model, ticket.serial])
        named[ticket.number] = _fitting_in(state) if ticket.model in named_models else by_order
    return named


def _fitting_in(state: TicketState) -> str:
    ticket = state.record.ticket
    return " ".join(part for part in (ticket.operator, ticket.fitting) if part)


def _values(state: TicketState, measures: Collection[str]) -> Iterator[tuple[str, Setting | None, float, str]]:
    for outcome in sorted(state.outcomes, key=lambda each: (each.step, each.shot)):
        if outcome.status is not Status.DONE:
            continue
        for path, measured in sorted(outcome.measured.items()):
            measure = f"{outcome.step}.{path}"
            wanted = any(fnmatchcase(measure, pattern) for pattern in measures)
            # yes-or-no values and texts have no unit
            if wanted and measured.unit and measured.value is not None and math.isfinite(measured.value):
                yield measure, outcome.setting, measured.value, measured.unit
