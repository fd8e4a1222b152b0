"""`glasswright study`: repeatability and reproducibility of the stand, from repeated mountings."""

from __future__ import annotations

import getpass
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.tables import print_table
from glasswright.config import replace_stand, show_changes
from glasswright.config.stand.file import load_stand
from glasswright.errors import GlasswrightError
from glasswright.formatting import format_count
from glasswright.judging.cards import load_cards
from glasswright.ledger import Ledger
from glasswright.ledger.phases import tickets_of_phase
from glasswright.study.adopting import propose_text
from glasswright.study.data import as_data
from glasswright.study.evidence import STUDY_PHASE, Subject, collect
from glasswright.study.studying import ENOUGH_FREEDOM, study_stand

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from glasswright.config.stand.file import StandFile
    from glasswright.judging.cards import CardFile
    from glasswright.ledger import TicketState
    from glasswright.statistics.intervals import Interval
    from glasswright.study.studying import FieldStudy, Study


EXAMPLE = """\b
Examples: look at what the cards limit; then write it into the stand file
  glasswright study --ledger bench.ledger --stand configs/stands/north_bench.yaml --cards configs/cards
  glasswright study --ledger bench.ledger --stand configs/stands/north_bench.yaml --cards configs/cards \\
      --write --by "K. Moreau"
"""


class StudyError(GlasswrightError):
    """There is nothing to study."""

    exit_code = 2


@click.command(epilog=EXAMPLE)
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--stand", type=click.Path(path_type=Path), required=True, help="Stand file.")
@click.option("--cards", type=click.Path(path_type=Path), help="Folder of cards: the fields that they limit are "
              "studied and compared with the tolerances.")  # fmt: skip
@click.option("--ticket", "--tickets", "tickets", multiple=True, help="Use this study ticket only; may be repeated.")
@click.option("--measure", "measures", multiple=True, help="Study these fields (`step.field`, `*` allowed); may be "
              "repeated. Default: fields with a limit, or without cards every field.")  # fmt: skip
@click.option(
    "--confidence", default=0.95, show_default=True, type=click.FloatRange(0.5, 0.999), help="Of the intervals."
)
@click.option("--write", is_flag=True, help="Write the numbers into the stand file.")
@click.option("--by", default="", help="Who did the study. Default: the user's name.")
@click.option("-v", "--verbose", is_flag=True, help="Show all components, intervals and left-out tickets.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def study(
    ledger: Path, stand: Path, cards: Path | None, tickets: tuple[str, ...], measures: tuple[str, ...],
    confidence: float, write: bool, by: str, verbose: bool, as_json: bool,
) -> None:  # fmt: skip
    """Find repeatability and reproducibility of the stand from the ledger's tickets of phase `study`.

    A study is a crossed design: several lenses, each mounted on the stand several times, and each time measured several
    times. Tickets of one serial number with the same `study: {fitting: ...}` in ticket.yaml are repeats of one fitting.
    Without it each ticket is a fitting: the first tickets of all lenses are fitting 1, the second ones fitting 2.

    Changes to the stand file are shown line by line, with -v all of them; nothing is written without --write.

    Exit codes: 0 done, 2 wrong command or configuration or too few tickets, 21 the ledger is missing, newer or damaged.
    """
    stand_file = load_stand(stand, load_plugins_aloud())
    card_files = load_cards(cards) if cards is not None else {}
    wanted = measures or {limit.measure for file in card_files.values() for limit in file.card.limits} or {"*"}
    evidence = collect(_read(ledger, tickets), stand_file.name, wanted)
    found = study_stand(evidence, stand_file.name, lambda subject: _limits(card_files, subject), confidence)
    _refuse_empty(found, ledger)
    text = propose_text(stand_file.document, found, by or getpass.getuser())
    if as_json:
        click.echo(json.dumps({**as_data(found), "changes": show_changes(stand_file.document, text)}, indent=2))
    else:
        print_study(found, verbose=verbose)
        _print_changes(show_changes(stand_file.document, text), verbose=verbose)
    _write(stand_file, text, write=write, quiet=as_json)


def _print_changes(changes: str, *, verbose: bool) -> None:
    lines = changes.splitlines()
    shown = lines if verbose else lines[:MOST_CHANGES]
    click.echo("\n".join(shown) or "the stand file already has these numbers")
    if len(lines) > len(shown):
        click.echo(f"{format_count(len(lines) - len(shown), 'more line')} of changes: -v shows all")


def _read(path: Path, wanted: Collection[str]) -> Sequence[TicketState]:
    with Ledger.open_for_reading(path) as opened:
        opened.check_chain()
        numbers = tickets_of_phase(opened, STUDY_PHASE)
        if unknown := sorted(set(wanted) - set(numbers)):
            there = ", ".join(numbers) or "none"
            raise StudyError(f"{path}: no ticket of phase `{STUDY_PHASE}` is {', '.join(unknown)}; there is {there}")
        return opened.latest_tickets([number for number in numbers if not wanted or number in wanted])


def _limits(cards: Mapping[str, CardFile], subject: Subject) -> tuple[float | None, float | None]:
    """Return the tightest limits in a model's card for a field at a setting."""
    file = cards.get(subject.model)
    lower, upper = [], []
    for limit in file.card.limits if file is not None else ():
        whole = subject.at is None and limit.at == type(limit.at)()
        if limit.measure == subject.measure and (whole or (subject.at is not None and limit.at.holds(subject.at))):
            lower += [limit.min] if limit.min is not None else []
            upper += [limit.max] if limit.max is not None else []
    return max(lower, default=None), min(upper, default=None)


def _refuse_empty(found: Study, ledger: Path) -> None:
    if found.fields:
        return
    if not found.evidence.tickets:
        why = "; ".join(f"{each.ticket}: {each.why}" for each in found.evidence.left_out)
        raise StudyError(
            f"{ledger}: the ledger has no ticket of phase `{STUDY_PHASE}` for stand `{found.stand}`: shoot some "
            f"lenses, each mounted on the stand several times{f' ({why})' if why else ''}"
        )
    if not found.refused:
        raise StudyError(f"{ledger}: none of the study's tickets has any of these fields: correct --measure or --cards")
    each = found.refused[0]
    raise StudyError(f"{ledger}: no field can be studied; {each.subject} {each.why}")


def _write(stand: StandFile, text: str, *, write: bool, quiet: bool) -> None:
    if text == stand.document.text:
        return
    if not write:
        click.echo("nothing was written: use --write", err=quiet)
        return
    replace_stand(stand.document, text)
    click.echo(f"{stand.document.path}: written; `glasswright judge --adopt-stand` applies it", err=quiet)


MOST_LISTED = 5
MOST_CHANGES = 20
MOST_FIELDS = 15
"""In the short table; those that a card limits come first."""


def print_study(study: Study, *, verbose: bool) -> None:
    """Print a study, the fields with the largest scatter first."""
    if study.evidence.rehearsed:
        click.echo("REHEARSED: all of these frames were rendered. For trials only.")
    sets = sorted({_shape_of(field) for field in study.fields})
    click.echo(
        f"stand {study.stand}: {format_count(len(study.evidence.tickets), 'study ticket')}, lenses x fittings x "
        f"repeats: {'; '.join(sets)}"
    )
    _print_left_out(study, verbose=verbose)
    fields = sorted(study.fields, key=lambda field: (field.gauge_of_tolerance_pct is None, -_share_of(field)))
    if not verbose:
        headers = ("field", "at", "one measurement again", "share", "", "unit")
        shown = fields[:MOST_FIELDS]
        print_table("Reproducibility, the worst first", headers, [_row_in_short(f) for f in shown])
        if len(shown) < len(fields):
            click.echo(f"  and {len(fields) - len(shown)} more")
        click.echo("share: of the tolerance, or of the total scatter if there is no limit; -v shows every component")
        return
    print_table(
        f"Standard deviations, with their {100 * study.confidence:g} % intervals",
        ("field", "at", "set", "repeatability", "reproducibility", "both", "lenses", "unit"),
        [_row_of_parts(field) for field in fields],
    )
    print_table(
        "Rating",
        (
            "field",
            "at",
            "of tolerance",
            "of total",
            "categories",
            "",
            "interaction",
            "degrees of freedom",
            "both, by average and range",
        ),
        [_row_of_meaning(field) for field in fields],
    )


def _share_of(field: FieldStudy) -> float:
    share = field.gauge_of_tolerance_pct
    return field.gauge_of_total_pct if share is None else share


def _row_in_short(field: FieldStudy) -> tuple[str, ...]:
    of = "tolerance" if field.gauge_of_tolerance_pct is not None else "total"
    both = _with_interval(field.anova.components.gauge, field.intervals.gauge)
    share = f"{_share_of(field):.1f} % of {of}"
    unit = "" if field.unit == "1" else field.unit
    return (field.subject.measure, str(field.subject.at or ""), both, share, field.rating, unit)


def _shape_of(field: FieldStudy) -> str:
    lenses, fittings, repeats = field.anova.shape
    missing = f", {field.anova.missing} missing" if field.anova.missing else ""
    again = "" if field.anova.sources[3].freedom else " (no repeats)"
    return f"{lenses} x {fittings} x {repeats}{missing}{again}"


def _print_left_out(study: Study, *, verbose: bool) -> None:
    lines = [f"left out: {each.ticket}: {each.why}" for each in study.evidence.left_out]
    lines += [f"not studied: {each.subject}: {each.why}" for each in study.refused]
    shown = lines if verbose else lines[:MOST_LISTED]
    for line in shown:
        click.echo(line)
    if len(lines) > len(shown):
        click.echo(f"{format_count(len(lines) - len(shown), 'more such line')}: -v lists all")


def _row_of_parts(field: FieldStudy) -> tuple[str, ...]:
    parts, intervals = field.anova.components, field.intervals
    lenses, fittings, repeats = field.anova.shape
    repeatability = "no repeats"
    if field.anova.sources[3].freedom:
        repeatability = _with_interval(parts.repeatability, intervals.repeatability)
    missing = f", {field.anova.missing} missing" if field.anova.missing else ""
    return (
        field.subject.measure,
        str(field.subject.at or ""),
        f"{lenses} x {fittings} x {repeats}{missing}",
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
        field.rating,
        interaction,
        f"{field.anova.reproducibility_freedom:.1f} ({field.fittings_needed} fittings for {ENOUGH_FREEDOM:g})",
        "-" if field.ranges is None else f"{field.ranges.gauge:.3g}",
    )


def _with_interval(value: float, interval: Interval) -> str:
    return f"{value:.3g} ({interval.low:.2g} to {interval.high:.2g})"


def _categories(field: FieldStudy) -> str:
    found, interval = field.categories, field.intervals.categories
    return "-" if not math.isfinite(found) else f"{found:.1f} ({interval.low:.1f} to {interval.high:.1f})"
