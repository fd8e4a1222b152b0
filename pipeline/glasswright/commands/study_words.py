"""What `glasswright study` prints for people."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import click

from glasswright.commands.tables import print_table
from glasswright.counts import format_count

if TYPE_CHECKING:
    from glasswright.statistics.intervals import Interval
    from glasswright.study.studying import FieldStudy, Study

MOST_LISTED = 12


def print_study(study: Study) -> None:
    """Print a study: the set, every field's parts, what they mean, how the two ways compare."""
    if study.evidence.rehearsed:
        click.echo("REHEARSED: all of these frames were rendered, none was taken. For trying out only.")
    click.echo(f"stand {study.stand}: {format_count(len(study.evidence.tickets), 'study ticket')}")
    _print_left_out(study)
    print_table(
        f"Standard deviations, with their {100 * study.confidence:g} % intervals",
        ("field", "at", "set", "repeatability", "reproducibility", "both", "lenses", "unit"),
        [_row_of_parts(field) for field in study.fields],
    )
    print_table(
        "What they mean",
        ("field", "at", "of tolerance", "of total", "categories", "", "interaction", "both, by average and range"),
        [_row_of_meaning(field) for field in study.fields],
    )


def _print_left_out(study: Study) -> None:
    lines = [f"left out: {each.ticket}: {each.why}" for each in study.evidence.left_out]
    lines += [f"not studied: {each.subject}: {each.why}" for each in study.refused]
    lines += dict.fromkeys(
        f"left out of {field.subject.model}: {why}" for field in study.fields for why in field.crossed.left_out
    )
    for line in lines[:MOST_LISTED]:
        click.echo(line)
    if len(lines) > MOST_LISTED:
        click.echo(f"{len(lines) - MOST_LISTED} more such lines: --json gives them all")


def _row_of_parts(field: FieldStudy) -> tuple[str, ...]:
    parts, intervals = field.anova.components, field.intervals
    lenses, fittings, repeats = field.anova.shape
    repeatability = _with_interval(parts.repeatability, intervals.repeatability) if repeats > 1 else "not told apart"
    return (
        field.subject.measure,
        str(field.subject.at or ""),
        f"{lenses} x {fittings} x {repeats}",
        repeatability,
        _with_interval(parts.reproducibility, intervals.reproducibility),
        _with_interval(parts.gauge, intervals.gauge),
        _with_interval(parts.lens, intervals.lens),
        field.unit,
    )


def _row_of_meaning(field: FieldStudy) -> tuple[str, ...]:
    probability, share = field.anova.interaction_probability, field.gauge_of_tolerance_pct
    interaction = "-" if probability is None else f"p {probability:.3f}{', pooled' if field.anova.pooled else ''}"
    of_total = field.intervals.gauge_of_total
    return (
        field.subject.measure,
        str(field.subject.at or ""),
        "no limit" if share is None else f"{share:.1f} %",
        f"{field.gauge_of_total_pct:.1f} % ({100 * of_total.low:.0f} to {100 * of_total.high:.0f})",
        _categories(field),
        field.word,
        interaction,
        "-" if field.ranges is None else f"{field.ranges.gauge:.3g}",
    )


def _with_interval(value: float, interval: Interval) -> str:
    return f"{value:.3g} ({interval.low:.2g} to {interval.high:.2g})"


def _categories(field: FieldStudy) -> str:
    found, interval = field.categories, field.intervals.categories
    return "-" if not math.isfinite(found) else f"{found:.1f} ({interval.low:.1f} to {interval.high:.1f})"
