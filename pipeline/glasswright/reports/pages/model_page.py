"""A lens model's page: its lenses against each limit, and over time."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glasswright.ledger.verdict import Verdict
from glasswright.reports.matrix import WHOLE_TICKET
from glasswright.reports.pages.formats import (
    format_heading,
    format_limits,
    format_measure,
    format_middle,
    format_time,
    format_unit,
)
from glasswright.reports.pages.strip import KINDS
from glasswright.reports.pages.trend import Reading, draw_population
from glasswright.reports.pages.writing import make_readable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.ledger.returned import Returned
    from glasswright.reports.pages.triage import Triage


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """One limit at one setting, with every lens judged by it."""

    title: str
    """The measure and its setting."""
    unit: str
    limits: str
    lenses: int
    middle: str
    counts: tuple[tuple[str, str, int], ...]
    """(verdict, class, count)."""
    not_measured: int
    drawing: str


def describe_model(model: str, triages: Sequence[Triage], returned: Mapping[str, Returned]) -> dict[str, Any]:
    """Return the context for the template of a model's page."""
    ordered = sorted(triages, key=lambda each: (each.state.measured_at, each.number))
    current = [each for each in ordered if each.judgement is not None]
    found: dict[tuple[str, str], list[Triage]] = defaultdict(list)
    for triage in current:
        for each in triage.judgement.verdicts if triage.judgement else ():
            found[each.measure, each.at].append(triage)
    return {
        "model": model,
        "populations": [_describe(measure, at, members) for (measure, at), members in found.items()],
        "triages": list(reversed(ordered)),
        "unjudged": len(ordered) - len(current),
        "returned": returned,
        "serials": len({each.state.record.ticket.serial for each in ordered}),
        "first": format_time(ordered[0].state.measured_at)[:10] if ordered else "",
        "last": format_time(ordered[-1].state.measured_at)[:10] if ordered else "",
    }


def _describe(measure: str, at: str, members: Sequence[Triage]) -> Population:
    verdicts = [
        (triage, each)
        for triage in members
        for each in (triage.judgement.verdicts if triage.judgement else ())
        if (each.measure, each.at) == (measure, at)
    ]
    readings = [
        Reading(
            ticket=triage.number,
            when=triage.state.measured_at,
            value=each.value,
            u=each.u,
            verdict=each.verdict,
        )
        for triage, each in verdicts
        if each.value is not None
    ]
    latest = verdicts[-1][1]
    unit = format_unit(measure)
    title = format_heading(make_readable(measure)) + (f" at {at}" if at != WHOLE_TICKET else "")
    up = f"{format_measure(measure)}{f' ({unit})' if unit else ''}"
    counts = tuple((str(v), KINDS[v], sum(each.verdict is v for _, each in verdicts)) for v in Verdict)
    limits = (latest.lower, latest.upper)
    return Population(
        title=title,
        unit=unit,
        limits=format_limits(*limits),
        lenses=len(readings),
        middle=format_middle([each.value for each in readings], [each.u for each in readings])
        if readings
        else "none measured",
        counts=tuple(each for each in counts if each[2]),
        not_measured=len(verdicts) - len(readings),
        drawing=draw_population(readings, limits, up, title) if readings else "",
    )
