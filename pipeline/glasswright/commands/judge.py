"""`glasswright judge`: judge the tickets of a ledger by the cards."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.commands.remarks import read_name_and_reason
from glasswright.commands.tables import print_table
from glasswright.config.stand.file import load_stand
from glasswright.formatting import format_count
from glasswright.judging.cards import load_cards
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.judging.rejudge import judge_tickets
from glasswright.ledger import Document, Ledger, describe_run
from glasswright.ledger.documents import stand_documents
from glasswright.ledger.place import LedgerPlaceError
from glasswright.ledger.stand_adoptions import adopt_stand
from glasswright.ledger.verdict import RISING, Verdict, fold
from glasswright.run.progress import paint

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.config.stand.file import StandFile
    from glasswright.judging.cards import CardFile
    from glasswright.judging.gate import Decision
    from glasswright.ledger.verdict import Judgement
    from glasswright.plugin.field_names import FieldNames

EXIT_CODES = {Verdict.PASS: 0, Verdict.FAIL: 10, Verdict.REVIEW: 11, Verdict.UNKNOWN: 12}
SILENT = (Verdict.PASS, Verdict.NOT_APPLICABLE)
"""Verdicts that are no reason against a ticket."""

EXAMPLE = """\b
Example, after a card was changed:
  glasswright judge --ledger bench.ledger --cards configs/cards --stand configs/stands/north_bench.yaml
"""


@click.command(epilog=EXAMPLE)
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--cards", type=click.Path(path_type=Path), required=True, help="Folder of cards.")
@click.option("--stand", type=click.Path(path_type=Path), required=True, help="Stand file.")
@click.option("--ticket", "tickets", multiple=True, help="Judge this ticket only; may be given several times.")
@click.option(
    "--adopt-stand", "adopt", is_flag=True, help="Adopt STAND as the valid stand file from now on, with a name."
)
@click.option("--by", default="", help="Who adopts the stand file.")
@click.option("--why", default="", help="What was changed at the stand.")
@click.option("--no-keep", is_flag=True, help="Keep nothing: for a read-only ledger, or to try a card.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
@click.option("-v", "--verbose", is_flag=True, help="Print every limit of every ticket.")
def judge(
    ledger: Path, cards: Path, stand: Path, tickets: tuple[str, ...], adopt: bool, by: str, why: str, no_keep: bool,
    as_json: bool, verbose: bool,
) -> int:  # fmt: skip
    """Judge the tickets in the ledger by the cards, without opening a raw file, and keep new judgements.

    The stand file of the first run with a stand is adopted automatically. If a later one differs in anything that a
    number or a verdict depends on, tickets are in review until somebody adopts it with --adopt-stand.

    Exit codes: 0 every ticket passes, 10 one fails, 11 one is in review, 12 one is incomplete (of several, the worst:
    10, then 12, then 11); 2 wrong command or configuration, 20 another run holds the ledger, 21 the ledger is missing,
    newer or damaged.
    """
    adoption = read_name_and_reason(by, why) if adopt or by or why else None
    if adoption is not None and (no_keep or not adopt):
        raise click.UsageError(
            "--adopt-stand, --by NAME and --why REASON must be given together, and not with --no-keep"
        )
    plugins = load_plugins_aloud()
    card_files, stand_file = load_cards(cards, plugins), load_stand(stand, plugins)
    with Ledger.open_for_reading(ledger) as opened:
        opened.check_chain()
        judgements = judge_tickets(opened, card_files, stand_file, set(tickets) or None)
        new = opened.choose_new_judgements(judgements)
    if adoption is not None or (new and not no_keep):
        try:
            keep(ledger, new, _documents(card_files, stand_file), adoption)
        except LedgerPlaceError as error:
            raise LedgerPlaceError(f"{error}; with --no-keep the ledger is only read") from error
        if adoption is not None and not as_json:
            click.echo(f"stand file `{stand_file.name}` ({stand_file.sha256[:12]}) adopted by {': '.join(adoption)}")
    decided = _find_decided(ledger, [judgement.ticket for judgement in judgements])
    absent = sorted(set(tickets) - {judgement.ticket for judgement in judgements})
    verdict = fold([*(each.verdict for each in judgements), *(Verdict.UNKNOWN for _ in absent)])
    if as_json:
        by_ticket = {each.ticket: str(each) for each in decided}
        click.echo(json.dumps(as_data(judgements, absent, verdict, len(new)) | {"decided": by_ticket}, indent=2))
    else:
        if verbose:
            _print_limits(judgements)
        _print_tickets(judgements, plugins.field_names)
        for ticket in absent:
            click.echo(f"{ticket}: {paint('UNKNOWN')}  the ledger has no such ticket")
        for decision in decided:
            click.echo(f"{decision.ticket}: {decision}: {decision.released_by or next(iter(decision.notes), '')}")
        if not judgements and not absent:
            click.echo("the ledger contains no ticket")
        kept = f"{format_count(len(new), 'judgement')} new{', not kept' if no_keep else ''}"
        click.echo(f"{format_count(len(judgements), 'ticket')} judged, {kept}: {paint(str(verdict))}")
    return EXIT_CODES[verdict]


def _find_decided(path: Path, tickets: Sequence[str]) -> tuple[Decision, ...]:
    """Return the gate's decisions on tickets that a person released on review, whether or not still valid."""
    with Ledger.open_for_reading(path) as ledger:
        released = [ticket for ticket, each in ledger.latest_decisions(tickets).items() if each.releases]
        return tuple(gated.decision for gated in Gatekeeper(ledger).gate_all(released))


def keep(
    path: Path,
    judgements: Sequence[Judgement],
    documents: tuple[Document, ...],
    adoption: tuple[str, str] | None = None,
) -> None:
    """Add judgements to the ledger as a new run.

    Parameters
    ----------
    documents
        The cards, and last the stand file.
    adoption
        Who adopts the stand file, and why; None if nobody does.
    """
    record = describe_run(documents)
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(record)
        if adoption is not None:
            adopt_stand(ledger, run, documents[-1], *adoption)
        ledger.add_judgements(run, judgements)
        ledger.end_run(run, {"judged": len(judgements)}, backup=False)


def _documents(cards: Mapping[str, CardFile], stand: StandFile) -> tuple[Document, ...]:
    read = [
        Document(kind="card", name=name, text=file.document.text, sha256=file.sha256) for name, file in cards.items()
    ]
    return (*read, *stand_documents(stand))


def as_data(
    judgements: Sequence[Judgement], absent: Sequence[str], verdict: Verdict, new_count: int
) -> dict[str, object]:
    """Return judgements as plain data for JSON."""
    return {
        "verdict": str(verdict),
        "new_count": new_count,
        "absent": absent,
        "tickets": [
            {
                "ticket": each.ticket,
                "verdict": str(each.verdict),
                "reasons": each.reasons,
                "manifest": each.manifest,
                "card": each.card,
                "stand": each.stand,
                "verdicts": [
                    {
                        "measure": limit.measure,
                        "at": limit.at,
                        "verdict": str(limit.verdict),
                        "reason": limit.reason,
                        "value": limit.value,
                        "u": limit.u,
                        "min": limit.lower,
                        "max": limit.upper,
                    }
                    for limit in each.verdicts
                ],
            }
            for each in judgements
        ],
    }


def _print_tickets(judgements: Sequence[Judgement], names: FieldNames) -> None:
    """Print one line per ticket, worst first, with its first reason and the number of others."""
    for each in sorted(judgements, key=lambda each: (-RISING.index(each.verdict), each.ticket)):
        limits = sorted(each.verdicts, key=lambda limit: -RISING.index(limit.verdict))
        reasons = [f"{limit.measure} at {limit.at}: {limit.reason}" for limit in limits if limit.verdict not in SILENT]
        reasons = list(dict.fromkeys(["; ".join(each.reasons), *reasons] if each.reasons else reasons))
        more = f" (and {len(reasons) - 1} more)" if len(reasons) > 1 else ""
        why = f"  {names.make_readable(reasons[0])}{more}" if reasons else ""
        click.echo(f"{each.ticket}: {paint(str(each.verdict))}{why}")


def _print_limits(judgements: Sequence[Judgement]) -> None:
    """Print every limit of every ticket as a table."""
    rows = []
    for each in judgements:
        rows += [(each.ticket, str(each.verdict), "", "", reason) for reason in each.reasons]
        rows += [(each.ticket, str(limit.verdict), limit.measure, limit.at, limit.reason) for limit in each.verdicts]
    print_table("Limits", ("ticket", "verdict", "measure", "at", "why"), rows)
