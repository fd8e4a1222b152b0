"""The night's page: all tickets with decisions and reasons, priorities, the stand, and the time taken."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from glasswright.ledger.verdict import RISING, Verdict
from glasswright.plugin.outcome import Status
from glasswright.reports.pages.formats import format_heading, format_seconds, format_step, format_time
from glasswright.reports.pages.strip import KINDS
from glasswright.reports.pages.triage import ACTIONS, Urgency

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.ledger.runs import Run, StepTime
    from glasswright.reports.pages.stand_page import Health
    from glasswright.reports.pages.triage import Triage

MOST_FIRST: Final = 12
"""Number of tickets listed under "Needs a person first"; the table has all."""
GROUPS: Final = (
    ("pass", "ready", "released, or within every limit"),
    ("fail", "held", "outside a limit by more than its guard band"),
    ("review", "in review", "within the guard band of a limit, or with a caveat"),
    ("unknown", "incomplete", "something required was not measured or not judged"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One ticket in the table."""

    triage: Triage
    stages: tuple[tuple[str, str, str], ...]
    """(class, verdict, stages with that verdict), worst first; stages that pass are only counted."""
    why: str
    more: int
    urgency: int
    action: str
    refusals: int
    hint: str
    """Where to look first; empty for a lens that is ready."""


def describe_night(
    runs: Sequence[Run],
    triages: Sequence[Triage],
    times: Sequence[StepTime],
    healths: Sequence[Health],
    hints: Mapping[str, str],
) -> dict[str, Any]:
    """Return the context for the template of the night's page.

    Parameters
    ----------
    runs
        The night's runs: the requested one, and killed ones before it that it continued.
    triages
        The night's tickets.
    hints
        Ticket -> where to look first.
    """
    rows = sorted(
        (make_row(each, hints.get(each.number, "")) for each in triages),
        key=lambda row: (row.urgency, row.triage.number),
    )
    counts = Counter(row.triage.kind for row in rows)
    statuses = Counter(outcome.status for each in triages for outcome in each.state.outcomes)
    known = [run.seconds for run in runs if run.seconds is not None]
    return {
        "runs": runs,
        "date": format_time(runs[-1].started_at)[:10] if runs else "",
        "rows": rows,
        "first": [row for row in rows if row.urgency < Urgency.NOTHING][:MOST_FIRST],
        "waiting": sum(row.urgency < Urgency.NOTHING for row in rows),
        "groups": [(kind, name, meaning, counts.get(kind, 0)) for kind, name, meaning in GROUPS],
        "models": sorted({each.state.record.ticket.model for each in triages}),
        "rehearsed": sum(each.state.record.ticket.rehearsed for each in triages),
        "healths": healths,
        "out_of_control": [health for health in healths if health.out_of_control],
        "took": format_seconds(sum(known)) if sum(known) else "",
        "unfinished": [run for run in runs if not run.completed],
        "times": list(times),
        "work": format_seconds(sum(each.seconds for each in times)),
        "longest": max((each.seconds for each in times), default=0.0),
        "statuses": [(str(status), statuses.get(status, 0)) for status in Status],
        "shots": sum(len(each.state.record.shots) for each in triages),
    }


def make_row(triage: Triage, hint: str) -> Row:
    """Return a ticket's row in the table."""
    why, more = triage.headline
    return Row(
        triage=triage,
        stages=fold_stages(triage.steps),
        why=why,
        more=more,
        urgency=int(triage.urgency),
        action=ACTIONS[triage.urgency],
        refusals=len(triage.causes),
        hint=hint if triage.kind != "pass" else "",
    )


def fold_stages(found: Mapping[str, Verdict]) -> tuple[tuple[str, str, str], ...]:
    """Return (class, verdict, stages) for each verdict, worst first; stages that pass are only counted."""
    folded = []
    for verdict in reversed(RISING):
        names = [format_heading(format_step(step)) for step, each in found.items() if each is verdict]
        if names:
            many = f"{len(names)} stages" if len(names) > 1 else names[0]
            folded.append((KINDS[verdict], str(verdict), many if verdict is Verdict.PASS else ", ".join(names)))
    return tuple(folded)
