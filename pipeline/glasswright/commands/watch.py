"""`glasswright watch`: control charts of the reference lens."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.tables import print_table
from glasswright.config import propose_changes, replace_stand, show_changes
from glasswright.config.stand.file import load_stand
from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from glasswright.intake.dates import night_at
from glasswright.judging.cards import load_cards
from glasswright.ledger import Ledger
from glasswright.ledger.phases import tickets_of_phase
from glasswright.statistics.control import ENOUGH_NIGHTS
from glasswright.watch.beginning import BeginningError, begin_watch
from glasswright.watch.data import as_data
from glasswright.watch.series import REFERENCE_PHASE
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from glasswright.config.stand.file import StandFile
    from glasswright.watch.chart import Chart
    from glasswright.watch.watching import WatchReport

IN_CONTROL, OUT_OF_CONTROL = 0, 11
MOST_NIGHTS = 14

EXAMPLE = """\b
Examples: begin, after the reference lens was measured once; then each evening after it was shot
  glasswright watch --ledger bench.ledger --stand configs/stands/north_bench.yaml --begin --cards configs/cards --write
  glasswright watch --ledger bench.ledger --stand configs/stands/north_bench.yaml
"""


class NotWatchedError(GlasswrightError):
    """The stand file has no section `watch`."""

    exit_code = 2


@click.command(epilog=EXAMPLE)
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--stand", type=click.Path(path_type=Path), required=True, help="Stand file, with its section `watch`.")
@click.option("--night", "night", help="The night to report on, such as 2026-03-02. Default: now; with "
              "rehearsed shots, the last night.")  # fmt: skip
@click.option("--begin", is_flag=True, help="Propose the section `watch` from the first reference ticket.")
@click.option("--cards", type=click.Path(path_type=Path), help="With --begin: folder of cards; the fields that they "
              "limit are watched.")  # fmt: skip
@click.option("--nights", default=ENOUGH_NIGHTS, show_default=True, type=click.IntRange(1), help="With --begin: length "
              "of the baseline.")  # fmt: skip
@click.option("--write", is_flag=True, help="With --begin: write the section into the stand file.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def watch(
    ledger: Path, stand: Path, night: str | None, begin: bool, cards: Path | None, nights: int, write: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Compute control charts of the reference lens, and report whether the stand is in control.

    The stand file's section `watch` names the fields, the baseline nights for the limits, and how many nights may pass
    without a reference shot. A night lasts until five the next morning. While the stand is out of control, nothing
    passes: `run`, `judge` and `gate` turn every PASS of the night into REVIEW.

    --begin proposes this section after the reference lens was measured for the first time.

    Exit codes: 0 in control, 11 out of control, 2 wrong command or configuration, 21 the ledger is missing, newer or
    damaged.
    """
    asked = _read_night(night)
    stand_file = load_stand(stand, load_plugins_aloud())
    if begin:
        return _begin(ledger, stand_file, cards, nights, write=write)
    if stand_file.watch is None:
        raise NotWatchedError(
            f"{stand}: has no section `watch`: add one that names a baseline and fields, or use --begin"
        )
    with Ledger.open_for_reading(ledger) as opened:
        opened.check_chain()
        report = read_watch(opened, stand_file.watch, stand_file.name)
    on = asked or _choose_night(report)
    if as_json:
        click.echo(json.dumps(as_data(report, on), indent=2))
    else:
        _print(report, on)
    return IN_CONTROL if as_data(report, on)["in_control"] else OUT_OF_CONTROL


def _begin(ledger: Path, stand: StandFile, cards: Path | None, nights: int, *, write: bool) -> int:
    if cards is None:
        raise click.UsageError("--begin needs --cards: the fields that the cards limit are watched")
    if stand.watch is not None:
        raise NotWatchedError(f"{stand.document.path}: has a section `watch` already: change it by hand")
    measures = {model: {limit.measure for limit in file.card.limits} for model, file in load_cards(cards).items()}
    with Ledger.open_for_reading(ledger) as opened:
        opened.check_chain()
        states = opened.latest_tickets(tickets_of_phase(opened, REFERENCE_PHASE))
    try:
        found = begin_watch(states, measures, stand.name, nights)
    except BeginningError as error:
        raise NotWatchedError(f"{ledger}: {error}") from error
    text = propose_changes(stand.document, {("watch",): found.as_section()})
    click.echo(f"reference lens: {found.model}, serial {found.serial}; {format_count(len(found.fields), 'field')}")
    click.echo(f"baseline: {found.first} to {found.last}; shoot the reference lens on each of these nights")
    if found.not_measured:
        click.echo(f"not watched, because not measured: {', '.join(found.not_measured)}")
    click.echo(show_changes(stand.document, text))
    if not write:
        click.echo("nothing was written: use --write")
        return IN_CONTROL
    replace_stand(stand.document, text)
    click.echo(f"{stand.document.path}: written; `glasswright judge --adopt-stand` applies it")
    return IN_CONTROL


def _choose_night(report: WatchReport) -> date:
    """Return tonight; for rehearsed shots, the last night with a reference shot."""
    return report.nights[-1] if report.rehearsed and report.nights else night_at(datetime.now())


def _read_night(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise click.UsageError(f"--night {text}: no such date: write year-month-day, such as 2026-03-02") from None


def _print(report: WatchReport, on: date) -> None:
    if report.rehearsed:
        click.echo("REHEARSED: the reference shots were rendered. For trials only.")
    lens = report.lens or "no reference lens yet"
    click.echo(f"stand {report.stand}, {lens}, {format_count(len(report.nights), 'night')} with a reference shot")
    headers = (
        "field",
        "at",
        "body",
        "nights of baseline",
        "centre",
        "lower",
        "upper",
        "last night",
        "value",
        "average",
    )
    print_table("Charts", headers, [_chart_row(chart) for chart in report.charts])
    rows = [(str(point.night), "out of control", chart.name, signal) for chart in report.charts
            for point in chart.points for signal in point.signals]  # fmt: skip
    rows += [(str(point.night), "noted", chart.name, remark) for chart in report.charts
             for point in chart.points for remark in point.remarks]  # fmt: skip
    rows.sort()
    print_table("Notable nights", ("night", "", "field", "why"), rows[-MOST_NIGHTS:])
    if len(rows) > MOST_NIGHTS:
        click.echo(f"{format_count(len(rows) - MOST_NIGHTS, 'earlier line')} left out: --json has all")
    for each in report.left_out:
        click.echo(f"left out: {each.ticket}: {each.why}")
    few = sorted({chart.baseline.count for chart in report.charts if chart.baseline})
    for chart in report.charts:
        for note in chart.notes:
            click.echo(f"the baseline of {chart.name}: {note}")
    click.echo(
        f"limits are set for one false alarm in {report.keys.false_alarm_nights:g} nights, for all charts together"
    )
    if few and few[0] < ENOUGH_NIGHTS:
        click.echo(
            f"the baseline has only {few[0]} nights: with {ENOUGH_NIGHTS} or more a shift is detected much sooner"
        )
    for body in report.bodies or ("",):
        _print_state(report, on, body)


def _print_state(report: WatchReport, on: date, body: str) -> None:
    out_of_control = report.out_of_control_of_night(on, body)
    click.echo(
        f"the night of {on}{f', body {body}' if body else ''}: {'OUT OF CONTROL' if out_of_control else 'in control'}"
    )
    for reason in out_of_control:
        click.echo(f"  - {reason}")


def _chart_row(chart: Chart) -> tuple[str, ...]:
    last = chart.points[-1]
    baseline = chart.baseline
    return (
        chart.measure,
        str(chart.at or ""),
        chart.body,
        str(baseline.count) if baseline else f"none: {chart.problem}",
        _number(baseline.centre if baseline else None),
        _number(chart.lower),
        _number(chart.upper),
        str(last.night),
        _number(last.value),
        _number(last.average),
    )


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"
