"""The night's page: every ticket, what is held and why, what needs a person first, the stand, and the time it took."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from glasswright.plugin.outcome import Status
from glasswright.reports.pages.strip import KINDS
from glasswright.reports.pages.triage import ACTIONS, Urgency
from glasswright.reports.pages.wording import say_seconds, say_step, say_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.runs import Run, StepTime
    from glasswright.reports.pages.stand_page import Health
    from glasswright.reports.pages.triage import Standing

MOST_FIRST: Final = 12
"""Tickets that are listed as needing a person first; the table has them all."""
GROUPS: Final = (
    ("pass", "ready", "released, or within every limit"),
    ("fail", "held", "outside a limit by more than its guard band"),
    ("review", "in review", "too near a limit to tell, or with a caveat"),
    ("unknown", "incomplete", "something asked for was not measured or not judged"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A ticket's verdict on one step."""

    word: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One ticket in the table."""

    standing: Standing
    cells: tuple[Cell | None, ...]
    why: str
    more: int
    urgency: int
    action: str
    refusals: int


def describe_night(
    runs: Sequence[Run], standings: Sequence[Standing], times: Sequence[StepTime], healths: Sequence[Health]
) -> dict[str, Any]:
    """Give all that the template of the night's page needs.

    Parameters
    ----------
    runs
        Those that make the night: the one that was asked for, and killed ones before it that it went on from.
    standings
        The night's tickets.
    """
    steps = tuple(dict.fromkeys(step for each in standings for step in each.steps))
    rows = sorted((make_row(each, steps) for each in standings), key=lambda row: (row.urgency, row.standing.number))
    counts = Counter(row.standing.kind for row in rows)
    statuses = Counter(outcome.status for each in standings for outcome in each.state.outcomes)
    known = [run.seconds for run in runs if run.seconds is not None]
    return {
        "runs": runs,
        "date": say_time(runs[-1].started_at)[:10] if runs else "",
        "steps": [say_step(step) for step in steps],
        "rows": rows,
        "first": [row for row in rows if row.urgency < Urgency.NOTHING][:MOST_FIRST],
        "waiting": sum(row.urgency < Urgency.NOTHING for row in rows),
        "groups": [(kind, name, meaning, counts.get(kind, 0)) for kind, name, meaning in GROUPS],
        "models": sorted({each.state.record.ticket.model for each in standings}),
        "rehearsed": sum(each.state.record.ticket.rehearsed for each in standings),
        "healths": healths,
        "doubtful": [health for health in healths if health.doubts],
        "took": say_seconds(sum(known)) if known else "",
        "unfinished": [run for run in runs if not run.completed],
        "times": list(times),
        "work": say_seconds(sum(each.seconds for each in times)),
        "longest": max((each.seconds for each in times), default=0.0),
        "statuses": [(str(status), statuses.get(status, 0)) for status in Status],
        "shots": sum(len(each.state.record.shots) for each in standings),
    }


def make_row(standing: Standing, steps: Sequence[str]) -> Row:
    """Give a ticket's row."""
    why, more = standing.headline
    found = standing.steps
    return Row(
        standing=standing,
        cells=tuple(Cell(word=str(found[step]), kind=KINDS[found[step]]) if step in found else None for step in steps),
        why=why,
        more=more,
        urgency=int(standing.urgency),
        action=ACTIONS[standing.urgency],
        refusals=len(standing.causes),
    )
