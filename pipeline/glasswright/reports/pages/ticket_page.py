"""A ticket's page: the decision with its reasons, every number, every drawing, and how it was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glasswright.ledger.documents import find_document
from glasswright.plugin.outcome import Status
from glasswright.reports.matrix import WHOLE_TICKET
from glasswright.reports.names import field_names
from glasswright.reports.pages.before_after import compare_before
from glasswright.reports.pages.figures import choose_leading, draw_figures
from glasswright.reports.pages.formats import format_measure, format_seconds, format_step, format_time, format_value
from glasswright.reports.pages.limits import arrange_limits
from glasswright.reports.pages.sweep import draw_sweeps, settings_of
from glasswright.reports.pages.triage import ACTIONS, REFERENCE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.config.schema.plugins import Plugins
    from glasswright.ledger import Document, Ledger
    from glasswright.ledger.records import KeptOutcome
    from glasswright.ledger.runs import Run
    from glasswright.plugin.artefact import Setting
    from glasswright.plugin.outcome import Outcome
    from glasswright.reports.pages.frames import Frame
    from glasswright.reports.pages.triage import Triage


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """An outcome that is not DONE."""

    step: str
    what: str
    status: str
    kind: str
    reason: str
    traceback: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRow:
    """One measured field at every setting."""

    name: str
    unit: str
    values: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbers:
    """All numbers of one step."""

    step: str
    settings: tuple[str, ...]
    """Headings of the columns."""
    rows: tuple[NumberRow, ...]


def describe_ticket(
    ledger: Ledger, triage: Triage, plugins: Plugins, frames: Sequence[Frame], visits: Sequence[Triage]
) -> dict[str, Any]:
    """Return the context for the template of a ticket's page.

    Parameters
    ----------
    triage
        The ticket, with all its measurements.
    frames
        Thumbnails of its shots.
    visits
        All visits of the same lens.
    """
    state = triage.state
    outcomes = ledger.find([each.address for each in state.outcomes])
    plan = find_document(ledger, state.record.plan_sha256)
    card = find_document(ledger, triage.judgement.card) if triage.judgement and triage.judgement.card else None
    figures = draw_figures(ledger, state, plugins, order_steps(plan))
    return {
        "triage": triage,
        "decision_notes": triage.decision.notes,
        "ticket": state.record.ticket,
        "reasons": triage.decision.reasons,
        "action": ACTIONS[triage.urgency],
        "is_reference": state.record.ticket.phase == REFERENCE,
        "measured_at": format_time(state.measured_at),
        "limit_steps": arrange_limits(triage.judgement, triage.card),
        "sweeps": draw_sweeps(state.outcomes, triage.judgement.verdicts if triage.judgement else ()),
        "figures": figures,
        "hints": [hint for group in figures for hint in group.hints],
        "leading": choose_leading(figures, triage.judgement, plugins.drawings.leading),
        "frames": frames,
        "before": compare_before(ledger, triage, visits),
        "visits": [visit for visit in visits if visit.number != triage.number],
        "refusals": list_refusals(state.outcomes, outcomes),
        "notes": list_notes(state.outcomes),
        "numbers": list_numbers(state.outcomes),
        "documents": [each for each in (plan, find_document(ledger, state.record.stand_sha256), card) if each],
        "seconds": format_seconds(sum(each.seconds for each in outcomes.values())),
    }


def order_steps(plan: Document | None) -> tuple[str, ...]:
    """Return the steps of a plan in the order of its text; empty if the text is not kept."""
    lines = plan.text.splitlines() if plan else []
    indented = [line for line in lines if line.startswith("  ") and not line.startswith("   ")]
    return tuple(line.strip().removesuffix(":") for line in indented if line.rstrip().endswith(":"))


def list_refusals(kept: Sequence[KeptOutcome], outcomes: Mapping[str, Outcome]) -> list[Refusal]:
    """Return everything that is not DONE: root causes first, then what was skipped because of them."""
    kinds = {
        Status.CRASHED: "fail",
        Status.UNMEASURABLE: "unknown",
        Status.SKIPPED: "skipped",
        Status.NOT_APPLICABLE: "skipped",
    }
    order = tuple(kinds)
    stopped = sorted(
        (each for each in kept if each.status is not Status.DONE),
        key=lambda each: (order.index(each.status), each.step, str(each.setting), each.shot),
    )
    return [
        Refusal(
            step=format_step(each.step),
            what=" ".join(part for part in (str(each.setting or ""), each.shot) if part) or "the whole ticket",
            status=str(each.status),
            kind=kinds[each.status],
            reason=each.reason,
            traceback=outcomes[each.address].traceback if each.address in outcomes else "",
        )
        for each in stopped
    ]


def list_notes(kept: Sequence[KeptOutcome]) -> list[tuple[str, str]]:
    """Return the stages' notes and every caveat, each once with the places where it occurs."""
    places_of: dict[str, list[str]] = {}
    for each in kept:
        where = " ".join(part for part in (format_step(each.step), str(each.setting or ""), each.shot) if part)
        for text in (*each.notes, *(f"Caveat: {field_names().explain(name)}" for name in each.caveats)):
            places_of.setdefault(text, []).append(where)
    return [(text, _shorten(places)) for text, places in sorted(places_of.items())]


def _shorten(places: Sequence[str], most: int = 3) -> str:
    shown = "; ".join(places[:most])
    return shown if len(places) <= most else f"{shown}; and {len(places) - most} more"


def list_numbers(kept: Sequence[KeptOutcome]) -> list[Numbers]:
    """Return all measurements by step; rows are fields, columns the settings that the step has numbers for."""
    columns: list[Setting | None] = [*settings_of(kept), None]
    steps: dict[str, dict[tuple[str, str], dict[Setting | None, str]]] = {}
    for each in kept:
        if each.shot or not each.measured:
            continue
        for path, measured in each.measured.items():
            text = measured.text if measured.text is not None else format_value(measured.value, measured.u)
            steps.setdefault(each.step, {}).setdefault((path, measured.unit), {})[each.setting] = text
    return [_arrange_numbers(step, fields, columns) for step, fields in steps.items()]


def _arrange_numbers(
    step: str, fields: Mapping[tuple[str, str], Mapping[Setting | None, str]], columns: Sequence[Setting | None]
) -> Numbers:
    used = [each for each in columns if any(each in found for found in fields.values())]
    rows = [
        NumberRow(
            name=format_measure(f"{step}.{path}"),
            unit="" if unit in ("1", "count") else unit,
            values=tuple(found.get(setting, "") for setting in used),
        )
        for (path, unit), found in fields.items()
    ]
    return Numbers(step=format_step(step), settings=tuple(str(each or WHOLE_TICKET) for each in used), rows=tuple(rows))


def describe_runs(runs: Sequence[Run], number: str) -> list[Run]:
    """Return the runs with new measurements of a ticket, latest first."""
    return [run for run in reversed(runs) if number in run.tickets]
