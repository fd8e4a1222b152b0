"""The two sides of a comparison, and their differences besides the lens."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger.records import KeptOutcome, TicketState
    from glasswright.plugin.artefact import Setting

Place = tuple[str, "Setting | None"]
"""A step and its setting; None for the whole ticket."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One side of a comparison."""

    state: TicketState
    stand: JudgingStand

    @property
    def name(self) -> str:
        """The ticket's number."""
        return self.state.record.ticket.number

    def places(self) -> Mapping[Place, KeptOutcome]:
        """Return the outcomes that can have a counterpart in another visit: those of settings and of the ticket."""
        kept = [each for each in self.state.outcomes if each.scope in (Scope.SETTING, Scope.TICKET)]
        return {(each.step, each.setting): each for each in kept}


def find_unlike(first: Visit, second: Visit) -> tuple[str, ...]:
    """Return the reasons why two visits are not comparable: a change would not be due to the lens alone."""
    one, other = first.state.record, second.state.record
    found = []
    if one.stand != other.stand:
        found.append(f"two stands: `{one.stand}` and `{other.stand}`; the difference between them is unknown")
    if one.ticket.body != other.ticket.body:
        found.append(
            f"two bodies: `{one.ticket.body}` and `{other.ticket.body}`; the difference between them is unknown"
        )
    return tuple(found)


def find_notes(first: Visit, second: Visit) -> tuple[str, ...]:
    """Return other differences, in spite of which the numbers are comparable."""
    one, other = first.state.record, second.state.record
    notes = []
    if one.ticket.serial != other.ticket.serial:
        notes.append(f"two copies: serial {one.ticket.serial} and serial {other.ticket.serial}")
    if one.plan_sha256 != other.plan_sha256:
        notes.append("the plan was changed between them: a number may have been measured in another way")
    if one.stand_sha256 != other.stand_sha256:
        notes.append("the stand file was changed between them")
    return tuple(notes)


def why_missing(place: Place, sides: Sequence[tuple[Visit, KeptOutcome | None]]) -> str:
    """Explain which side has no result of a step, and why; empty if both have one."""
    found: dict[str, list[str]] = {}
    for visit, outcome in sides:
        if outcome is None:
            where = "" if place[1] is None else f" at {place[1]}"
            found.setdefault(f"no `{place[0]}`{where}", []).append(visit.name)
        elif outcome.status is not Status.DONE:
            found.setdefault(f"{outcome.status}: {outcome.reason or 'no reason was given'}", []).append(visit.name)
    return "; ".join(f"{' and '.join(names)}: {why}" for why, names in found.items())


def is_done(outcome: KeptOutcome | None) -> bool:
    """Return whether an outcome has a result."""
    return outcome is not None and outcome.status is Status.DONE


def format_at(place: Place) -> str:
    """Return a place as text."""
    return "the whole ticket" if place[1] is None else str(place[1])


def sort_key(place: Place) -> tuple[str, tuple[float, ...]]:
    """Sort key: step, then setting; unknown settings first."""
    step, setting = place
    return step, () if setting is None else setting.sort_key
