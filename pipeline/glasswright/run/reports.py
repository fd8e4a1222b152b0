"""The report on each ticket of a night: plain data for the summary."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright.run.graph.gathering import OUTLIER_NOTE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.intake.index import IndexedTicket
    from glasswright.plugin.outcome import Outcome

ASKS_FOR_RESHOOT: Final = re.compile(r"\bshoot (it |the \w+ )?again\b", re.IGNORECASE)
"""Pattern of a stage's note that asks for a new shot although there is a value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """A step without a value: for which item, and why."""

    step: str
    item: str
    status: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Reshoot:
    """Something to shoot or copy again, and why."""

    what: str
    reason: str
    lost: bool = True
    """Whether it could not be used; False if it was used but is questionable."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketReport:
    """One ticket of the night; the night-wide steps are reported as a ticket without a number."""

    number: str
    model: str = ""
    serial: str = ""
    folder: str = ""
    shots: int = 0
    measured: int = 0
    """Number of outcomes measured in this run."""
    found: int = 0
    """Number of outcomes that were already in the ledger."""
    refusals: tuple[Refusal, ...] = ()
    reshoot: tuple[Reshoot, ...] = ()
    findings: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    verdict: str = ""
    """Empty if nothing was judged."""
    verdict_reasons: tuple[str, ...] = ()

    def is_complete(self) -> bool:
        """Return whether every shot could be used; settings without shots do not count."""
        bad = {str(Status.UNMEASURABLE), str(Status.CRASHED)}
        lost = self.unused or any(each.lost for each in self.reshoot)
        return not lost and not any(each.status in bad for each in self.refusals)


def report_outcomes(outcomes: Iterable[Outcome]) -> tuple[Refusal, ...]:
    """Return every step without a value: causes first, then the steps skipped because of them."""
    order = (Status.CRASHED, Status.UNMEASURABLE, Status.SKIPPED, Status.NOT_APPLICABLE)
    refused = [outcome for outcome in outcomes if outcome.status is not Status.DONE]
    return tuple(
        Refusal(step=each.step, item=str(each.item), status=str(each.status), reason=each.reason)
        for each in sorted(refused, key=lambda each: order.index(each.status))
    )


def list_reshoots(indexed: IndexedTicket, outcomes: Sequence[Outcome]) -> tuple[Reshoot, ...]:
    """Return what should be shot again: unmeasurable shots, outliers, and what a stage asks for."""
    found: dict[tuple[str, str], bool] = {}
    for each in indexed.shots:
        if each.refusal:
            found[each.shot.name, each.refusal] = True
    for outcome in outcomes:
        what = outcome.item.shot or str(outcome.item.setting or "the whole ticket")
        if outcome.status is Status.UNMEASURABLE:
            found[what, outcome.reason] = True
        for note in outcome.notes:
            if note.startswith(OUTLIER_NOTE):
                found[what, note] = True
            elif ASKS_FOR_RESHOOT.search(note):
                found.setdefault((what, note), False)
    return tuple(Reshoot(what=what, reason=reason, lost=lost) for (what, reason), lost in found.items())


def count_used(indexed: IndexedTicket, outcomes: Iterable[Outcome]) -> int:
    """Return the number of shots for which at least one step ran."""
    asked = {outcome.item.shot for outcome in outcomes if outcome.item.scope is Scope.SHOT}
    return sum(1 for each in indexed.shots if each.shot.name in asked)
