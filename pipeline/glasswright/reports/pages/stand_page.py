"""A stand's page: its state of control, the charts of its reference lens, its repeatability and reproducibility."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from glasswright.config import Spread, check, scan_bytes
from glasswright.errors import ConfigError
from glasswright.judging.kept import read_kept_stand
from glasswright.ledger.documents import find_document
from glasswright.reports.pages.formats import format_heading, format_measure, format_number
from glasswright.reports.pages.trend import draw_control_chart
from glasswright.reports.pages.triage import REFERENCE
from glasswright.reports.pages.writing import make_readable
from glasswright.watch.watching import WatchReport, read_watch

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger import Document, Ledger
    from glasswright.reports.pages.triage import Triage
    from glasswright.watch.chart import Chart


@dataclass(frozen=True, slots=True, kw_only=True)
class SpreadRow:
    """One entry of the stand file's uncertainties."""

    measure: str
    value: str
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """A control chart with its drawing."""

    name: str
    at: str
    drawing: str
    problem: str
    signals: tuple[str, ...]
    """Nights out of control, the latest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """The state of a stand on the nights of some tickets."""

    stand: str
    out_of_control: tuple[str, ...]
    watched: bool
    why_not: str = ""
    """Why the stand is not watched; empty if it is."""
    report: WatchReport | None = None

    @property
    def kind(self) -> str:
        """CSS class: `pass` in control, `fail` out of control, `unknown` if not watched."""
        return ("fail" if self.out_of_control else "pass") if self.watched else "unknown"

    @property
    def label(self) -> str:
        """The state as text."""
        return {"pass": "in control", "fail": "out of control", "unknown": "not watched"}[self.kind]


def read_health(ledger: Ledger, stand: str, triages: Sequence[Triage]) -> Health:
    """Return the state of a stand when these tickets were shot, by its latest stand file."""
    document = latest_stand_file(ledger, triages)
    if document is None:
        return Health(stand=stand, out_of_control=(), watched=False, why_not="the ledger has no stand file for it")
    try:
        keys = read_kept_stand(document).watch
    except ConfigError as error:
        return Health(stand=stand, out_of_control=(), watched=False, why_not=f"its stand file cannot be read: {error}")
    if keys is None:
        return Health(stand=stand, out_of_control=(), watched=False, why_not="its stand file has no section `watch`")
    report = read_watch(ledger, keys, stand)
    out_of_control = [reason for each in triages for reason in report.out_of_control_of_ticket(each.state)]
    return Health(stand=stand, out_of_control=tuple(dict.fromkeys(out_of_control)), watched=True, report=report)


def latest_stand_file(ledger: Ledger, triages: Sequence[Triage]) -> Document | None:
    """Return the stand file that the latest of these tickets was measured with."""
    if not triages:
        return None
    latest = max(triages, key=lambda each: each.state.measured_at)
    return find_document(ledger, latest.state.record.stand_sha256)


def describe_stand(ledger: Ledger, stand: str, triages: Sequence[Triage]) -> dict[str, Any]:
    """Return the context for the template of a stand's page."""
    document = latest_stand_file(ledger, triages)
    newest = max((each.state.measured_at for each in triages), default="")
    health = read_health(ledger, stand, [each for each in triages if each.state.measured_at == newest])
    reference = [each for each in triages if each.state.record.ticket.phase == REFERENCE]
    return {
        "stand": stand,
        "health": health,
        "charts": [_view(chart) for chart in health.report.charts] if health.report else [],
        "reference": sorted(reference, key=lambda each: each.state.measured_at, reverse=True),
        "document": document,
        "files": len({each.state.record.stand_sha256 for each in triages}),
        "tickets": len(triages),
        "spreads": {key: read_spreads(document, key) for key in ("reproducibility", "repeatability")},
    }


def _view(chart: Chart) -> ChartView:
    signals = [f"{point.night}: {'; '.join(point.signals)}" for point in reversed(chart.points) if point.signals]
    up = f"{format_measure(chart.measure)}{f' ({chart.unit})' if chart.unit not in ('', '1') else ''}"
    return ChartView(
        name=format_heading(make_readable(chart.measure)),
        at=f"{chart.at or 'any setting'}, body {chart.body}",
        drawing=draw_control_chart(chart, up),
        problem=chart.problem,
        signals=tuple(signals),
    )


def read_spreads(document: Document | None, key: str) -> list[SpreadRow]:
    """Return the uncertainties in a kept stand file; empty if it cannot be read."""
    if document is None:
        return []
    read = scan_bytes(Path(f"the kept stand file of {document.name}"), document.text.encode())
    if not isinstance(read.data, dict) or key not in read.data:
        return []
    spreads, _ = check(read, dict[str, Spread], key)
    return [
        SpreadRow(
            measure=measure,
            value=format_number(spread.u)
            if spread.u is not None
            else f"{100 * (spread.relative_u or 0):.3g} % of the value",
            origin=spread.origin,
        )
        for measure, spread in (spreads or {}).items()
    ]
