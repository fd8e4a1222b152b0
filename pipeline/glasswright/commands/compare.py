"""`glasswright compare`: compare two tickets, such as a lens before and after repair, or rank several copies."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.tables import print_table
from glasswright.commands.tickets import gate_tickets
from glasswright.config import load_stand
from glasswright.judging.card import Card
from glasswright.judging.cards import load_cards
from glasswright.judging.compare.comparing import COVERAGE, ChangeKind, compare_visits
from glasswright.judging.compare.ranking import RISK, rank_visits
from glasswright.judging.compare.sides import Visit
from glasswright.judging.kept import read_kept_card
from glasswright.ledger import Ledger
from glasswright.ledger.documents import find_document
from glasswright.reports.names import field_names
from glasswright.reports.pages.formats import format_change, format_change_side, format_value
from glasswright.reports.pages.triage import triage_of
from glasswright.reports.record.plain import find_hints
from glasswright.reports.sequels import find_sequels
from glasswright.tuning.kept_stand import read_stand_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.judging.compare.comparing import Change, Comparison
    from glasswright.judging.compare.ranking import RankedMeasure, Ranking
    from glasswright.judging.gatekeeper import Gated
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState

RULE = (
    f"changed: by more than {COVERAGE:g} standard uncertainties of the difference, which include the stand's "
    "reproducibility for each side"
)
COUNTED = {
    ChangeKind.CHANGED: "changed",
    ChangeKind.MISSING: "in one visit only",
    ChangeKind.UNKNOWN: "not comparable",
    ChangeKind.WITHIN: "changed by less than the uncertainty",
    ChangeKind.NEITHER: "without a number in either visit",
}
ORDER = (ChangeKind.CHANGED, ChangeKind.MISSING, ChangeKind.UNKNOWN, ChangeKind.WITHIN, ChangeKind.NEITHER)
MOST_ROWS = 20
"""Number of changes shown without -v; those with a limit come first."""

EXAMPLE = """\b
Example, what a repair did, and which of three copies is the best:
  glasswright compare T-0398 T-0412 --ledger bench.ledger
  glasswright compare T-0398 T-0399 T-0401 --ledger bench.ledger
"""


@click.command(epilog=EXAMPLE)
@click.argument("tickets", nargs=-1, required=True)
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--cards", type=click.Path(path_type=Path), help="Folder of cards; default: the latest one used.")
@click.option("--stand", type=click.Path(path_type=Path), help="Stand file, instead of those in the ledger.")
@click.option("-v", "--verbose", is_flag=True, help="Show every measure, not only significant changes.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines, with every measure.")
def compare(
    tickets: tuple[str, ...], path: Path, cards: Path | None, stand: Path | None, verbose: bool, as_json: bool
) -> None:
    """Compare TICKETS: intake and release of one lens, or copies of a model.

    For two tickets: both decisions, the probable fault of each, and the measures whose change exceeds the uncertainty,
    better or worse by the card's limit; other measures are counted. Three or more tickets are ranked by the measures
    that the card limits, with the significant differences. This is not a verdict: the exit code is 0 whatever changed,
    2 for a wrong command, 21 for a ledger that is missing or damaged.
    """
    with Ledger.open_for_reading(path) as opened:
        opened.check_chain()
        if len(tickets) < 2:
            raise click.UsageError(f"{tickets[0]} alone cannot be compared: give two tickets or more")
        gated = gate_tickets(opened, tickets)
        _refuse_other_models(gated)
        stand_file = load_stand(stand, load_plugins_aloud()) if stand else None
        visits = [Visit(state=each.state, stand=stand_file or _read_stand(opened, each.state)) for each in gated]
        model = gated[-1].state.record.ticket.model
        card = _choose_card(cards, model) if cards else _read_card(opened, tuple(reversed(tickets)))
        hints = [find_hints(opened, each.state) for each in gated]
        sequels = find_sequels(opened, visits[0].state, visits[1].state) if len(visits) == 2 else ()
    sides = [_side_data(each, hint) for each, hint in zip(gated, hints, strict=True)]
    if len(visits) > 2:
        if card is None:
            raise click.UsageError("without a card copies cannot be ranked: give --cards")
        ranking = rank_visits(visits, card)
        if as_json:
            click.echo(json.dumps(_ranking_data(ranking, sides), indent=2))
        else:
            _print_ranking(ranking, gated, hints, verbose=verbose)
        return
    comparison = compare_visits(visits[0], visits[1], card)
    comparison = replace(comparison, notes=(*sequels, *comparison.notes))
    if as_json:
        click.echo(json.dumps(_as_data(comparison, sides, card), indent=2))
    else:
        _print(comparison, gated, hints, card, verbose=verbose)


def _refuse_other_models(gated: Sequence[Gated]) -> None:
    first, *others = [each.state.record.ticket for each in gated]
    for other in others:
        if other.model != first.model:
            message = f"{first.number} is a `{first.model}`, {other.number} a `{other.model}`"
            raise click.UsageError(f"{message}: compare visits of one lens, or copies of one model")


def _read_stand(ledger: Ledger, state: TicketState) -> JudgingStand:
    return read_stand_of(find_document(ledger, state.record.stand_sha256), state.record.ticket.number)


def _choose_card(cards: Path, model: str) -> Card | None:
    file = load_cards(cards).get(model)
    return file.card if file else None


def _read_card(ledger: Ledger, tickets: tuple[str, ...]) -> Card | None:
    """Return the card of the latest judgement, of the first ticket that has one."""
    for number in tickets:
        judgement = ledger.latest_judgement(number)
        document = find_document(ledger, judgement.card) if judgement and judgement.card else None
        if document is not None:
            return read_kept_card(document).card
    return None


def _print(
    comparison: Comparison, gated: Sequence[Gated], hints: Sequence[Sequence[str]], card: Card | None, *, verbose: bool
) -> None:
    first, second = (each.state.record.ticket for each in gated)
    was, now = (triage_of(each).label for each in gated)
    if (first.model, first.serial) == (second.model, second.serial):
        click.echo(f"the decision was {was} and is {now}" if was != now else f"the decision is {now} as before")
    else:
        click.echo(f"{first.number} is {was}, {second.number} is {now}")
    for each, hint in zip(gated, hints, strict=True):
        _print_side(each, hint)
    for note in comparison.notes:
        click.echo(f"note: {note}")
    if card is None:
        click.echo("note: without a card, no direction counts as better; give --cards")
    headers = ("measure", "at", first.number, second.number, "change", "towards", "why")
    for kind in ORDER if verbose else (ChangeKind.CHANGED,):
        found = sorted((each for each in comparison.changes if each.kind is kind), key=_gravity)
        shown = found if verbose else found[:MOST_ROWS]
        print_table(kind.capitalize(), headers, [_row(each) for each in shown])
        if len(shown) < len(found):
            click.echo(f"  and {len(found) - len(shown)} more")
    counts = {kind: sum(each.kind is kind for each in comparison.changes) for kind in ORDER}
    more = "" if verbose else "; -v shows all"
    click.echo(", ".join(f"{count} {COUNTED[kind]}" for kind, count in counts.items() if count) + more)
    click.echo(f"({RULE}; about {comparison.by_chance:.0f} unchanged measures would seem changed by chance)")


def _gravity(change: Change) -> tuple[bool, float]:
    """Return the sort key: measures with a limit first, then the largest change in uncertainties."""
    size = abs(change.change or 0.0) / change.u if change.u else 0.0
    return not change.has_limit, -size


def _print_side(gated: Gated, hints: Sequence[str]) -> None:
    ticket = gated.state.record.ticket
    rehearsed = ", rehearsed" if ticket.rehearsed else ""
    click.echo(
        f"{ticket.number}: {ticket.model}, serial {ticket.serial}, {ticket.phase}, "
        f"measured {gated.state.measured_at}{rehearsed}"
    )
    triage = triage_of(gated)
    why, others = triage.headline
    more = f" (and {others} more)" if others else ""
    click.echo(f"  {triage.label}: {field_names().make_readable(why)}{more}")
    for hint in hints:
        click.echo(f"  probable fault: {hint}")


def _print_ranking(ranking: Ranking, gated: Sequence[Gated], hints: Sequence[Sequence[str]], *, verbose: bool) -> None:
    about = {each.state.record.ticket.number: (each, hint) for each, hint in zip(gated, hints, strict=True)}
    rows = []
    for rank, ticket in ranking.order:
        each, hint = about[ticket]
        serial, counts = each.state.record.ticket.serial, (ranking.better[ticket], ranking.worse[ticket])
        points = hint[0] if hint else ""
        rows.append((str(rank), ticket, serial, triage_of(each).label, f"{counts[0]} / {counts[1]}", points))
    headers = ("rank", "ticket", "serial", "decision", "better / worse", "probable fault")
    print_table(f"{len(gated)} copies of {gated[0].state.record.ticket.model}", headers, rows)
    for note in ranking.notes:
        click.echo(f"note: {note}; such pairs are not compared")
    shown = [each for each in ranking.measures if each.better or verbose]
    lines = [(field_names().name(each.measure), each.at, _format_values(each), _format_better(each)) for each in shown]
    print_table("Significant differences", ("measure", "at", "best first", "significantly better"), lines)
    same = sum(not each.better for each in ranking.measures)
    more = "" if verbose or not same else "; -v shows them"
    click.echo(f"{len(ranking.measures) - same} measures differ significantly, {same} do not{more}")
    if ranking.comparisons:
        low, high = ranking.factors
        beyond = f"{low:.1f}" if f"{low:.1f}" == f"{high:.1f}" else f"{low:.1f} to {high:.1f}"
        click.echo(
            f"(significant: more than {beyond} standard uncertainties of the difference, including the stand's "
            f"reproducibility; for any of {ranking.comparisons} comparisons the probability by chance is at most "
            f"{RISK:.0%} (Bonferroni))"
        )


def _format_values(each: RankedMeasure) -> str:
    return "; ".join(f"{ticket} {format_value(value, u)}" for ticket, value, u in each.values)


def _format_better(each: RankedMeasure) -> str:
    """Return which copies are better than which; copies that are better than the same ones share a clause."""
    losers: dict[str, list[str]] = {}
    for winner, loser in each.better:
        losers.setdefault(winner, []).append(loser)
    clauses: dict[str, list[str]] = {}
    for winner, beaten in losers.items():
        clauses.setdefault(", ".join(sorted(beaten)), []).append(winner)
    return "; ".join(f"{', '.join(winners)} than {beaten}" for beaten, winners in clauses.items())


def _row(change: Change) -> tuple[str, ...]:
    unit = "" if change.unit == "1" else change.unit
    return (
        field_names().name(change.measure),
        change.at,
        format_change_side(change.first, change.u),
        format_change_side(change.second, change.u),
        f"{format_change(change.change, change.u)} {unit}".strip() if change.change is not None else "",
        change.towards,
        change.reason,
    )


def _as_data(comparison: Comparison, sides: list[dict[str, object]], card: Card | None) -> dict[str, object]:
    return {
        "tickets": sides,
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


def _side_data(gated: Gated, hints: Sequence[str]) -> dict[str, object]:
    ticket = gated.state.record.ticket
    return {
        "ticket": ticket.number,
        "model": ticket.model,
        "serial": ticket.serial,
        "phase": ticket.phase,
        "rehearsed": ticket.rehearsed,
        "measured_at": gated.state.measured_at,
        "decision": str(gated.decision.kind),
        "reasons": gated.decision.reasons,
        "points_to": list(hints),
    }


def _ranking_data(ranking: Ranking, sides: list[dict[str, object]]) -> dict[str, object]:
    return {
        "tickets": sides,
        "order": [
            {"rank": rank, "ticket": ticket, "better": ranking.better[ticket], "worse": ranking.worse[ticket]}
            for rank, ticket in ranking.order
        ],
        "comparisons": ranking.comparisons,
        "risk": RISK,
        "notes": ranking.notes,
        "measures": [
            {
                "measure": each.measure,
                "at": each.at,
                "values": [{"ticket": ticket, "value": value, "u": u} for ticket, value, u in each.values],
                "better": [list(pair) for pair in each.better],
            }
            for each in ranking.measures
        ],
    }
