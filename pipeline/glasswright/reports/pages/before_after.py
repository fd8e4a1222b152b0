"""Comparison of a lens's visit with the previous one: changes first, everything else collapsed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError
from glasswright.judging.compare.comparing import ChangeKind, Comparison, compare_visits
from glasswright.judging.compare.sides import Visit
from glasswright.ledger.documents import find_document
from glasswright.reports.names import field_names
from glasswright.reports.pages.formats import (
    format_change,
    format_change_side,
    format_heading,
    format_measure,
    format_step,
    format_time,
    format_unit,
)
from glasswright.reports.sequels import find_sequels
from glasswright.reports.visits import choose_earlier, visit_order
from glasswright.tuning.kept_stand import read_stand_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.judging.compare.comparing import Change
    from glasswright.ledger import Ledger, TicketState
    from glasswright.reports.pages.triage import Triage

MOST_ROWS: Final = 12
"""Number of changed measures shown in separate rows; the others are collapsed."""
FOLDED: Final = {
    ChangeKind.CHANGED: "Also changed by more than the uncertainty",
    ChangeKind.MISSING: "Only one visit has it",
    ChangeKind.UNKNOWN: "Not comparable",
    ChangeKind.WITHIN: "Changed by less than the uncertainty",
    ChangeKind.NEITHER: "No visit has it",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeRow:
    """One measure that changed."""

    measure: str
    unit: str
    at: str
    before: str
    after: str
    change: str
    size: str
    """The change in standard uncertainties; the reason in words if there is no uncertainty."""
    towards: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """A collapsed table of measures of one kind; rows are measures, columns settings."""

    heading: str
    why: str
    count: int
    settings: tuple[str, ...]
    rows: tuple[tuple[str, str, tuple[str, ...]], ...]
    """(measure, unit, text for each setting)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAfter:
    """Two visits of a lens side by side."""

    before: str
    phase: str
    measured_at: str
    fault: str
    """Why they cannot be compared; empty if they can."""
    notes: tuple[str, ...]
    rows: tuple[ChangeRow, ...]
    folds: tuple[Fold, ...]
    by_chance: int
    has_card: bool


def choose_before(triage: Triage, visits: Iterable[Triage]) -> Triage | None:
    """Return the latest visit before this one (in one night, intake comes before release); None if it is the first."""
    by_state = {visit_order(each.state): each for each in visits if each.number != triage.number}
    chosen = choose_earlier(triage.state, [each.state for each in by_state.values()])
    return by_state[visit_order(chosen)] if chosen is not None else None


def compare_before(ledger: Ledger, triage: Triage, visits: Sequence[Triage]) -> BeforeAfter | None:
    """Compare a visit with the previous one, as `glasswright compare` does; None if there is none.

    Parameters
    ----------
    triage
        The visit, with all its measurements.
    visits
        All visits of the same lens.
    """
    chosen = choose_before(triage, visits)
    if chosen is None:
        return None
    (state,) = ledger.latest_tickets([chosen.number])
    card = triage.card or chosen.card
    record = state.record.ticket
    fault, comparison = "", Comparison(notes=(), changes=())
    try:
        comparison = compare_visits(_visit(ledger, state), _visit(ledger, triage.state), card)
    except GlasswrightError as error:  # an old ledger may have no stand file; the page is useful without
        fault = str(error)
    changes = comparison.changes
    changed = sorted((each for each in changes if each.kind is ChangeKind.CHANGED), key=_gravity)
    return BeforeAfter(
        before=chosen.number,
        phase=record.phase,
        measured_at=format_time(state.measured_at),
        fault=fault,
        notes=() if fault else (*find_sequels(ledger, state, triage.state), *comparison.notes),
        rows=tuple(_lay_row(each) for each in changed[:MOST_ROWS]),
        folds=tuple(_fold_all(changed[MOST_ROWS:], changes)),
        by_chance=round(comparison.by_chance),
        has_card=card is not None,
    )


def _visit(ledger: Ledger, state: TicketState) -> Visit:
    document = find_document(ledger, state.record.stand_sha256)
    return Visit(state=state, stand=read_stand_of(document, state.record.ticket.number))


def _gravity(change: Change) -> tuple[bool, float]:
    """Sort key: measures with a limit first, then by size in uncertainties."""
    size = abs(change.change or 0.0) / change.u if change.u else 0.0
    return not change.has_limit, -size


def _lay_row(change: Change) -> ChangeRow:
    return ChangeRow(
        measure=_name(change),
        unit=_unit(change),
        at=change.at,
        before=format_change_side(change.first, change.u),
        after=format_change_side(change.second, change.u),
        change=format_change(change.change, change.u),
        size=f"{abs(change.change or 0.0) / change.u:.1f}" if change.u else change.reason,
        towards=change.towards,
    )


def _name(change: Change) -> str:
    name = field_names().name(change.measure)
    if name != change.measure:
        return format_heading(name)
    step, _, field = change.measure.partition(".")
    return (
        f"{format_heading(format_step(step))}: {format_measure(change.measure)}"
        if field
        else format_heading(format_step(step))
    )


def _unit(change: Change) -> str:
    """Return the unit; a count has the unit `count`, because its name does not show it."""
    return "count" if change.unit == "count" else format_unit(change.measure)


def _fold_all(rest: Sequence[Change], changes: Sequence[Change]) -> Iterable[Fold]:
    """Yield the collapsed tables: by kind of change, and by reason for measures without a comparison."""
    for kind, heading in FOLDED.items():
        members = rest if kind is ChangeKind.CHANGED else [each for each in changes if each.kind is kind]
        reasons = {
            each.reason if kind in (ChangeKind.UNKNOWN, ChangeKind.MISSING, ChangeKind.NEITHER) else ""
            for each in members
        }
        for why in sorted(reasons):
            yield _fold(heading, why, [each for each in members if why in ("", each.reason)])


def _fold(heading: str, why: str, members: Sequence[Change]) -> Fold:
    settings = tuple(dict.fromkeys(each.at for each in members))
    table: dict[tuple[str, str], dict[str, str]] = {}
    for each in members:
        table.setdefault((_name(each), _unit(each)), {})[each.at] = format_cell(each)
    rows = tuple(
        (name, unit, tuple(cells.get(setting, "") for setting in settings)) for (name, unit), cells in table.items()
    )
    return Fold(heading=heading, why=why, count=len(members), settings=settings, rows=rows)


def format_cell(change: Change) -> str:
    """Format both sides of a measure and, if it has an uncertainty, the change."""
    sides = [format_change_side(each, change.u) for each in (change.first, change.second)]
    if change.first == change.second and not change.u:
        return sides[0]
    size = f" ({format_change(change.change, change.u)})" if change.u else ""
    return f"{sides[0]} → {sides[1]}{size}"
