"""`glasswright compare`: compare two tickets, such as a lens before and after repair."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.tables import print_table
from glasswright.config import did_you_mean, load_stand
from glasswright.judging.card import Card
from glasswright.judging.cards import load_cards
from glasswright.judging.compare.comparing import COVERAGE, ChangeKind, compare_visits
from glasswright.judging.compare.sides import Visit
from glasswright.judging.kept import read_kept_card
from glasswright.ledger import Ledger
from glasswright.ledger.documents import find_document
from glasswright.reports.sequels import find_sequels
from glasswright.tuning.kept_stand import read_stand_of

if TYPE_CHECKING:
    from glasswright.judging.compare.comparing import Change, Comparison
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState

RULE = (
    f"changed: by more than {COVERAGE:g} standard uncertainties of the difference; each side counts with its own and "
    "with the stand's reproducibility"
)
ORDER = (ChangeKind.CHANGED, ChangeKind.MISSING, ChangeKind.UNKNOWN, ChangeKind.WITHIN, ChangeKind.NEITHER)
ALWAYS = (ChangeKind.CHANGED, ChangeKind.MISSING)
LONGEST_TEXT = 32

EXAMPLE = """\b
Example, what a repair did:
  glasswright compare T-0398 T-0412 --ledger bench.ledger
"""


@click.command(epilog=EXAMPLE)
@click.argument("first")
@click.argument("second")
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--cards", type=click.Path(path_type=Path), help="Folder of cards, instead of the card last judged by.")
@click.option("--stand", type=click.Path(path_type=Path), help="Stand file, instead of those the ledger keeps.")
@click.option("--all", "show_all", is_flag=True, help="Show every measure.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines; it holds every measure.")
def compare(
    first: str, second: str, path: Path, cards: Path | None, stand: Path | None, show_all: bool, as_json: bool
) -> None:
    """Compare tickets FIRST and SECOND: intake and release of one lens, or two copies of a model.

    Each measure is shown on both sides with its change, whether that is more than the uncertainty, and whether it is
    better or worse by the side of the card's limit: all that changed, all that only one side has, and whatever else
    the card speaks of. This is no verdict: the exit code is 0 whatever changed, 2 for a wrong command, 21 for a ledger
    that is missing or damaged.
    """
    with Ledger.open_for_reading(path) as opened:
        opened.check_chain()
        read = {each.record.ticket.number: each for each in opened.latest_tickets([first, second])}
        _refuse_mistakes(first, second, read, opened)
        stand_file = load_stand(stand, load_plugins_aloud()) if stand else None
        visits = [
            Visit(state=read[number], stand=stand_file or _read_stand(opened, read[number]))
            for number in (first, second)
        ]
        model = read[second].record.ticket.model
        card = _choose_card(cards, model) if cards else _read_card(opened, (second, first))
        sequels = find_sequels(opened, visits[0].state, visits[1].state)
    comparison = compare_visits(visits[0], visits[1], card)
    comparison = replace(comparison, notes=(*sequels, *comparison.notes))
    if as_json:
        click.echo(json.dumps(_as_data(comparison, visits, card), indent=2))
    else:
        _print(comparison, visits, card, show_all)


def _refuse_mistakes(first: str, second: str, states: dict[str, TicketState], ledger: Ledger) -> None:
    for number in (first, second):
        if number not in states:
            known = [each.record.ticket.number for each in ledger.latest_tickets(None, ())]
            raise click.UsageError(f"the ledger knows no ticket `{number}`; {did_you_mean(number, known)}")
    if first == second:
        raise click.UsageError(f"{first} is compared with itself: give two tickets")
    models = [states[number].record.ticket.model for number in (first, second)]
    if models[0] != models[1]:
        said = f"{first} is a `{models[0]}`, {second} a `{models[1]}`"
        raise click.UsageError(f"{said}: compare two visits of one lens, or two copies of one model")


def _read_stand(ledger: Ledger, state: TicketState) -> JudgingStand:
    return read_stand_of(find_document(ledger, state.record.stand_sha256), state.record.ticket.number)


def _choose_card(cards: Path, model: str) -> Card | None:
    file = load_cards(cards).get(model)
    return file.card if file else None


def _read_card(ledger: Ledger, tickets: tuple[str, ...]) -> Card | None:
    """Return the card that a ticket was last judged by, of the first ticket that was."""
    for number in tickets:
        judgement = ledger.latest_judgement(number)
        document = find_document(ledger, judgement.card) if judgement and judgement.card else None
        if document is not None:
            return read_kept_card(document).card
    return None


def _print(comparison: Comparison, visits: list[Visit], card: Card | None, show_all: bool) -> None:
    for visit in visits:
        ticket = visit.state.record.ticket
        rehearsed = ", rehearsed" if ticket.rehearsed else ""
        click.echo(
            f"{ticket.number}: {ticket.model}, serial {ticket.serial}, {ticket.phase}, "
            f"measured {visit.state.measured_at}{rehearsed}"
        )
    for note in comparison.notes:
        click.echo(f"note: {note}")
    if card is None:
        click.echo("note: no card says which way is better; give --cards")
    headers = ("measure", "at", visits[0].name, visits[1].name, "change", "towards", "why")
    for kind in ORDER:
        found = [each for each in comparison.changes if each.kind is kind]
        shown = [each for each in found if show_all or kind in ALWAYS or each.has_limit]
        rows = [_row(each) for each in sorted(shown, key=lambda each: not each.has_limit)]
        print_table(kind.capitalize(), headers, rows)
    counts = {kind: sum(each.kind is kind for each in comparison.changes) for kind in ORDER}
    click.echo(", ".join(f"{count} {kind}" for kind, count in counts.items()))
    click.echo(f"({RULE}; of unchanged measures about {comparison.by_chance:.0f} would seem changed by chance)")


def _row(change: Change) -> tuple[str, ...]:
    first, second = (_write(value) for value in (change.first, change.second))
    size = "" if change.change is None else f"{change.change:+.4g}"
    if change.u is not None:
        size += f" (u {change.u:.2g})"
    return (
        change.measure,
        change.at,
        first,
        second,
        f"{size} {'' if change.unit == '1' else change.unit}".strip(),
        change.towards,
        change.reason,
    )


def _write(value: float | str | None) -> str:
    if isinstance(value, str):
        return value if len(value) <= LONGEST_TEXT else value[:LONGEST_TEXT] + "..."
    return "" if value is None else f"{value:.5g}"


def _as_data(comparison: Comparison, visits: list[Visit], card: Card | None) -> dict[str, object]:
    return {
        "tickets": [
            {
                "ticket": visit.name,
                "model": visit.state.record.ticket.model,
                "serial": visit.state.record.ticket.serial,
                "phase": visit.state.record.ticket.phase,
                "rehearsed": visit.state.record.ticket.rehearsed,
                "measured_at": visit.state.measured_at,
            }
            for visit in visits
        ],
        "rule": RULE,
        "coverage_factor": COVERAGE,
        "changed_by_chance": comparison.by_chance,
        "has_card": card is not None,
        "notes": comparison.notes,
        "changes": [
            {
                "measure": each.measure,
                "at": each.at,
                "first": each.first,
                "second": each.second,
                "unit": each.unit,
                "change": each.change,
                "u": each.u,
                "kind": str(each.kind),
                "has_limit": each.has_limit,
                "towards": each.towards,
                "reason": each.reason,
            }
            for each in comparison.changes
        ],
    }
