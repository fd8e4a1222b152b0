"""The summary of a night, as text and as JSON."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import asdict, dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from glasswright.formatting import format_count
from glasswright.plugin.outcome import Status
from glasswright.run.graph.gathering import BECAUSE
from glasswright.run.progress import format_seconds, paint

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.config.schema.plugins import PluginFailure
    from glasswright.intake.tickets import RefusedTicket
    from glasswright.plugin.field_names import FieldNames
    from glasswright.run.night import NightReport
    from glasswright.run.reports import Refusal, TicketReport
    from glasswright.run.session import SessionResult

FINISHED: Final = 0
SOME_UNUSABLE: Final = 13
STOPPED: Final = 1

ORDER: Final = {"FAIL": 0, "UNKNOWN": 1, "REVIEW": 2, "": 3, "PASS": 4}
LAST: Final = 5
UNKNOWN: Final = "UNKNOWN"
AWAY: Final = 2
"""Distance of a skipped step that no limit without a value is on, nor has its setting."""
MOST_NAMED: Final = 4
"""Number of shots named for one reason; the others are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """The summary of a night."""

    result: SessionResult
    plugin_failures: tuple[PluginFailure, ...]
    seconds: float

    @property
    def night(self) -> NightReport:
        """The results of the night."""
        return self.result.night

    @property
    def refused(self) -> tuple[RefusedTicket, ...]:
        """The tickets that were refused, and those whose files could not be listed."""
        return (*self.result.refused, *self.night.failed)

    @property
    def reports(self) -> tuple[TicketReport, ...]:
        """The reports on the tickets, with the night-wide steps last."""
        return (*self.night.tickets, *((self.night.night_wide,) if self.night.night_wide else ()))

    @property
    def measured(self) -> int:
        """Number of outcomes measured in this run."""
        return sum(report.measured for report in self.reports)

    @property
    def found(self) -> int:
        """Number of outcomes that were already in the ledger."""
        return sum(report.found for report in self.reports)

    def exit_code(self) -> int:
        """Return 0; 13 if some shots could not be used; 1 if the night was stopped."""
        if self.result.stopped_by or self.night.unfinished:
            return STOPPED
        complete = all(report.is_complete() for report in self.reports)
        return FINISHED if complete and not self.refused else SOME_UNUSABLE


def summary_data(summary: Summary) -> dict[str, Any]:
    """Return the summary as plain data."""
    return {
        "exit_code": summary.exit_code(),
        "seconds": round(summary.seconds, 3),
        "measured": summary.measured,
        "in_ledger": summary.found,
        "stopped_by": summary.result.stopped_by or None,
        "tickets": [asdict(report) for report in summary.night.tickets],
        "night_wide": asdict(summary.night.night_wide) if summary.night.night_wide else None,
        "refused_tickets": [asdict(each) for each in summary.refused],
        "unfinished_tickets": list(summary.night.unfinished),
        "plugin_failures": [asdict(each) for each in summary.plugin_failures],
    }


def describe(summary: Summary, names: FieldNames, *, detail: bool) -> Iterator[str]:
    """Yield the summary's lines: one per ticket, worst first; then what must be corrected, each reason once.

    Parameters
    ----------
    names
        Readable names of measures.
    detail
        Whether everything is listed under each ticket, including skipped steps.
    """
    for each in summary.refused:
        yield f"{each.number or each.folder}  {paint('refused')}  {each.reason if detail else _first(each.reason)}"
    for number in summary.night.unfinished:
        yield f"{number}  not finished, the night was stopped; run again to continue"
    reports = sorted(summary.reports, key=lambda report: (ORDER.get(report.verdict, LAST), report.number))
    for report in reports:
        yield _describe_in_a_line(report, names)
        if detail:
            yield from _describe_ticket(report, names)
    yield from _describe_crashes(summary)
    yield from _describe_reshoots(summary, detail=detail)
    yield from (str(each) for each in summary.plugin_failures)
    yield _last_line(summary)
    if not detail and any(report.verdict not in ("", "PASS") or report.refusals for report in reports):
        yield "-v lists every reason, --json everything"


def _first(text: str) -> str:
    lines = text.splitlines()
    return f"{lines[0]} (and {len(lines) - 1} more)" if len(lines) > 1 else text


def _describe_in_a_line(report: TicketReport, names: FieldNames) -> str:
    """Return a ticket's line: lens, verdict and the first cause; the others are counted."""
    name = f"{report.number}  {report.model}  {report.serial}".strip() if report.number else "the whole night"
    causes = [names.make_readable(each).replace(": FAIL, ", ": ") for each in find_causes(report)]
    state = report.verdict or ("measured" if not causes else "incomplete")
    more = f" (and {len(causes) - 1} more)" if len(causes) > 1 else ""
    notes = len(report.findings) + len(report.notes)
    noted = f" [{format_count(notes, 'note')}]" if notes else ""
    return f"{name}: {paint(state)}{f'  {causes[0]}{more}' if causes else ''}{noted}"


def find_causes(report: TicketReport) -> list[str]:
    """Return the reasons why a ticket does not pass: failed limits first, then faults of shots, then consequences."""
    failed = [reason for reason in report.verdict_reasons if ": FAIL, " in reason]
    shots = [f"{each.what}: {each.reason}" for each in report.reshoot]
    broken = [
        f"{_name(report, each)} {each.status}: {each.reason}"
        for each in report.refusals
        if each.status == Status.CRASHED or (each.status == Status.UNMEASURABLE and not report.reshoot)
    ]
    skipped = [each for each in report.refusals if each.status == Status.SKIPPED and BECAUSE not in each.reason]
    never: dict[bool, list[str]] = {True: [], False: []}
    for each in sorted(skipped, key=partial(_distance, report)) if report.verdict in ("", UNKNOWN) else ():
        never[_distance(report, each) < AWAY].append(f"{_name(report, each)}: {each.reason}")
    others = [reason for reason in report.verdict_reasons if reason not in failed]
    others.sort(key=lambda reason: f": {UNKNOWN}, " not in reason)
    return list(dict.fromkeys([*failed, *report.unused, *shots, *broken, *never[True], *others, *never[False]]))


def _distance(report: TicketReport, refusal: Refusal) -> int:
    """Return how far a skipped step is from the limits without a value: 0 if one is on it, 1 at its setting, else
    `AWAY`."""
    unknown = "\n".join(reason for reason in report.verdict_reasons if f": {UNKNOWN}, " in reason)
    item = refusal.item.removeprefix(report.number).strip()
    return 0 if f"`{refusal.step}`" in unknown else 1 if item and item in unknown else AWAY


def _describe_ticket(report: TicketReport, names: FieldNames) -> Iterator[str]:
    yield from (f"  {names.make_readable(reason)}" for reason in report.verdict_reasons)
    yield from (f"  {_name(report, each)} {each.status}: {each.reason}" for each in report.refusals)
    yield from (f"  {text}" for text in (*report.unused, *report.findings, *report.notes))


def _name(report: TicketReport, refusal: Refusal) -> str:
    item = refusal.item.removeprefix(report.number).strip()
    return f"{refusal.step} of {item}" if item else refusal.step


def _describe_crashes(summary: Summary) -> Iterator[str]:
    """Yield the crashed steps, and where to find their tracebacks."""
    crashes = [
        f"  {f'{report.number} {_name(report, each)}'.strip()}: {each.reason}"
        for report in summary.reports
        for each in report.refusals
        if each.status == Status.CRASHED
    ]
    if crashes:
        yield (
            "Crashed by a bug in the program or a plugin (`glasswright pages` shows each traceback on the ticket's "
            "page):"
        )
        yield from crashes


def _describe_reshoots(summary: Summary, *, detail: bool) -> Iterator[str]:
    """Yield what must be corrected, each reason once with the shots that it concerns."""
    by_reason: defaultdict[str, list[str]] = defaultdict(list)
    for report in summary.reports:
        for each in report.reshoot:
            by_reason[each.reason].append(f"{report.number} {each.what}")
    if by_reason:
        yield "To be corrected (shoot again, copy again, move, or describe in ticket.yaml):"
    for reason, shots in sorted(by_reason.items(), key=lambda item: -len(item[1])):
        shown = shots if detail else shots[:MOST_NAMED]
        more = f" and {len(shots) - len(shown)} more" if len(shots) > len(shown) else ""
        yield f"  {', '.join(shown)}{more}: {reason}"


def _last_line(summary: Summary) -> str:
    time = format_seconds(summary.seconds)
    tickets = format_count(len(summary.night.tickets), "ticket")
    stopped_by = summary.result.stopped_by
    if stopped_by:
        return f"stopped by {stopped_by} after {time}: {tickets} in the ledger; run again to continue"
    if summary.measured == 0 and summary.found:
        return f"nothing to measure: {format_count(summary.found, 'outcome')} already in the ledger ({tickets}, {time})"
    measured = format_count(summary.measured, "outcome")
    return f"{measured} measured, {summary.found} already in the ledger ({tickets}, {time})"
