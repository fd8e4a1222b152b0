"""Measurements of the reference lens by night."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.intake.dates import night_at
from glasswright.plugin.outcome import Status

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.config import WatchedField
    from glasswright.ledger.records import KeptOutcome, TicketState
    from glasswright.plugin.artefact import Setting

REFERENCE_PHASE: Final = "reference"


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One night of a watched field."""

    night: date
    value: float | None
    """Mean of the night's tickets; None if it was shot but no ticket has a number."""
    tickets: tuple[str, ...]
    values: tuple[float, ...] = ()
    """Value of each ticket that has one (the mean of its shots)."""
    missing: str = ""
    """Why a ticket of the night has no number; empty if all have one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One watched field, at one setting, with one body."""

    measure: str
    """`step.field`."""
    at: Setting | None
    body: str
    unit: str
    points: tuple[Point, ...]
    """One per night, in order of time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    night: date
    ticket: str
    value: float | None
    unit: str
    missing: str


def nights_of_ticket(state: TicketState) -> tuple[date, ...]:
    """Return the nights on which a ticket was shot; the night of its run if unknown."""
    known = tuple(date.fromisoformat(each) for each in state.record.nights)
    return known or (night_at(datetime.fromisoformat(state.measured_at)),)


def collect_series(states: Iterable[TicketState], fields: Mapping[str, WatchedField]) -> tuple[Series, ...]:
    """Return the measurements of reference tickets, by watched field, setting, body and night."""
    readings: dict[tuple[str, Setting | None, str], list[_Reading]] = defaultdict(list)
    for state in states:
        night, record = nights_of_ticket(state)[-1], state.record
        for measure, watched in fields.items():
            step, _, field = measure.partition(".")
            for outcome in state.outcomes:
                if outcome.step == step and watched.at.holds(outcome.setting):
                    reading = _read(outcome, field, night, record.ticket.number)
                    readings[measure, outcome.setting, record.ticket.body].append(reading)
    return tuple(
        Series(
            measure=measure,
            at=setting,
            body=body,
            unit=next((each.unit for each in found if each.unit), ""),
            points=_points(found),
        )
        for (measure, setting, body), found in sorted(readings.items(), key=lambda item: _order(*item[0]))
    )


def _order(measure: str, setting: Setting | None, body: str) -> tuple[str, str, str]:
    return measure, str(setting or ""), body


def _read(outcome: KeptOutcome, field: str, night: date, ticket: str) -> _Reading:
    measured = outcome.measured.get(field)
    value, missing = None, ""
    if outcome.status is not Status.DONE:
        missing = f"`{outcome.step}` is {outcome.status}: {outcome.reason or 'no reason was given'}"
    elif measured is None or measured.value is None or not math.isfinite(measured.value):
        missing = f"`{outcome.step}` has no number for `{field}`"
    else:
        value = measured.value
    return _Reading(night=night, ticket=ticket, value=value, unit=measured.unit if measured else "", missing=missing)


def _points(readings: Sequence[_Reading]) -> tuple[Point, ...]:
    by_night: dict[date, list[_Reading]] = defaultdict(list)
    for reading in readings:
        by_night[reading.night].append(reading)
    return tuple(_point(night, by_night[night]) for night in sorted(by_night))


def _point(night: date, readings: Sequence[_Reading]) -> Point:
    by_ticket: dict[str, list[float]] = defaultdict(list)
    for each in readings:
        if each.value is not None:
            by_ticket[each.ticket].append(each.value)
    values = tuple(float(np.mean(found)) for _, found in sorted(by_ticket.items()))
    missing = [each for each in readings if each.value is None]
    return Point(
        night=night,
        value=float(np.mean(values)) if values else None,
        tickets=tuple(sorted({each.ticket for each in readings})),
        values=values,
        missing=f"ticket {missing[0].ticket}: {missing[0].missing}" if missing else "",
    )
