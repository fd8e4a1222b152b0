"""The end of a night in words, and in JSON for a machine."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from glasswright.formatting import format_count
from glasswright.plugin.outcome import Status
from glasswright.run.graph.gathering import BECAUSE
from glasswright.run.progress import format_seconds

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.config.schema.plugins import PluginFailure
    from glasswright.intake.tickets import RefusedTicket
    from glasswright.run.night import NightReport
    from glasswright.run.reports import Refusal, TicketReport
    from glasswright.run.session import SessionResult

FINISHED: Final = 0
SOME_UNUSABLE: Final = 13
STOPPED: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """All that is said when a night is over."""

    result: SessionResult
    plugin_failures: tuple[PluginFailure, ...]
    seconds: float

    @property
    def night(self) -> NightReport:
        """Give what the night did."""
        return self.result.night

    @property
    def refused(self) -> tuple[RefusedTicket, ...]:
        """Give the tickets that could not be begun, and those whose files could not be listed."""
        return (*self.result.refused, *self.night.failed)

    @property
    def reports(self) -> tuple[TicketReport, ...]:
        """Give the tickets, and the night-wide steps last."""
        return (*self.night.tickets, *((self.night.night_wide,) if self.night.night_wide else ()))

    @property
    def measured(self) -> int:
        """Count the outcomes of this run."""
        return sum(report.measured for report in self.reports)

    @property
    def found(self) -> int:
        """Count the outcomes that were in the ledger already."""
        return sum(report.found for report in self.reports)

    def exit_code(self) -> int:
        """Give 0, 13 if something that was shot could not be used, or 1 if the night was stopped."""
        if self.result.stopped_by or self.night.unfinished:
            return STOPPED
        whole = all(report.is_whole() for report in self.reports)
        return FINISHED if whole and not self.refused else SOME_UNUSABLE


def summary_data(summary: Summary) -> dict[str, Any]:
    """Give the whole summary as plain data."""
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


def describe(summary: Summary, *, detail: bool) -> Iterator[str]:
    """Give the summary's lines. Whatever stopped a step is always named; what was skipped for it only in detail."""
    for report in summary.reports:
        yield from _describe_ticket(report, detail)
    for each in summary.refused:
        yield f"{each.number or each.folder}: refused"
        yield from (f"  {line}" for line in each.reason.splitlines())
    for number in summary.night.unfinished:
        yield f"{number}: not finished, the night was stopped; run again to go on"
    yield from _describe_crashes(summary)
    yield from _describe_reshoots(summary)
    yield from (str(each) for each in summary.plugin_failures)
    yield _last_line(summary)


def _describe_ticket(report: TicketReport, detail: bool) -> Iterator[str]:
    name = f"{report.number}  {report.model}  {report.serial}".strip() if report.number else "the whole night"
    yield f"{name}: {report.verdict}" if report.verdict else name
    yield from (f"  {reason}" for reason in report.verdict_reasons)
    causes = [each for each in report.refusals if each.status != Status.SKIPPED]
    yield from (f"  {_name(report, each)} {each.status}: {each.reason}" for each in causes)
    yield from _describe_skipped(report, detail)
    yield from (f"  {text}" for text in (*report.unused, *report.findings, *report.notes))


def _describe_skipped(report: TicketReport, detail: bool) -> Iterator[str]:
    """Name what was never shot; what was skipped because of something named already is counted, or listed in detail."""
    skipped = [each for each in report.refusals if each.status == Status.SKIPPED]
    own = [each for each in skipped if detail or BECAUSE not in each.reason]
    yield from (f"  {_name(report, each)} {each.status}: {each.reason}" for each in own)
    rest = Counter(each.step for each in skipped if each not in own)
    if rest:
        counts = ", ".join(f"{step} {count}" for step, count in rest.items())
        yield f"  skipped because of these: {counts} (-v lists them)"


def _name(report: TicketReport, refusal: Refusal) -> str:
    item = refusal.item.removeprefix(report.number).strip()
    return f"{refusal.step} of {item}" if item else refusal.step


def _describe_crashes(summary: Summary) -> Iterator[str]:
    """List what crashed, and where its traceback is kept."""
    crashes = [
        f"  {f'{report.number} {_name(report, each)}'.strip()}: {each.reason}"
        for report in summary.reports
        for each in report.refusals
        if each.status == Status.CRASHED
    ]
    if crashes:
        yield (
            "Crashed, by a fault of the program or a plugin (the ledger keeps each traceback, `glasswright pages` "
            "shows it on the ticket's page):"
        )
        yield from crashes


def _describe_reshoots(summary: Summary) -> Iterator[str]:
    lines = [f"  {report.number} {each.what}: {each.reason}" for report in summary.reports for each in report.reshoot]
    if lines:
        yield "To be put right (shot again, copied again, moved or described in ticket.yaml):"
        yield from lines


def _last_line(summary: Summary) -> str:
    time = format_seconds(summary.seconds)
    tickets = format_count(len(summary.night.tickets), "ticket")
    stopped_by = summary.result.stopped_by
    if stopped_by:
        return f"stopped by {stopped_by} after {time}: {tickets} in the ledger; run again to go on"
    if summary.measured == 0 and summary.found:
        return f"nothing to measure: {format_count(summary.found, 'outcome')} already in the ledger ({tickets}, {time})"
    measured = format_count(summary.measured, "outcome")
    return f"{measured} measured, {summary.found} already in the ledger ({tickets}, {time})"
