"""`glasswright gate`: may this lens go back to its owner?"""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config.stand_file import load_stand
from glasswright.judging.cards import load_cards
from glasswright.judging.gate import EXIT_CODES, open_gate
from glasswright.judging.judge import judge_ticket
from glasswright.judging.notes import notes_of
from glasswright.ledger import Ledger
from glasswright.ledger.documents import find_document
from glasswright.watch.gatekeeper import Gatekeeper
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from glasswright.judging.gate import Decision
    from glasswright.judging.verdict import Judgement
    from glasswright.ledger import TicketState

SHORT = 12
"""Characters of a SHA-256 that tell one text from another by eye."""

EXAMPLE = """\b
Example, in a script (only 0 releases; any other code, known or not, does not):
  if glasswright gate T-0412 --ledger bench.ledger; then echo "back to its owner"; fi
"""


@click.command(epilog=EXAMPLE)
@click.argument("ticket")
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--cards", type=click.Path(path_type=Path), help="Folder of cards, to judge afresh.")
@click.option("--stand", type=click.Path(path_type=Path), help="Stand file, to judge afresh.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def gate(ticket: str, ledger: Path, cards: Path | None, stand: Path | None, as_json: bool) -> int:
    """Say whether the lens of TICKET may go back to its owner: RELEASE, HOLD, REVIEW or INCOMPLETE, and why.

    With --cards and --stand it is judged afresh from what was measured; without, by the ledger's latest judgement.
    Every row and file that the decision rests on is checked against its hash.

    Exit codes: 0 release, 10 hold, 11 review, 12 incomplete, 2 wrong command or configuration, 21 the ledger is
    missing, newer or damaged.
    """
    if (cards is None) != (stand is None):
        raise click.UsageError("give both --cards and --stand, to judge afresh, or neither")
    with Ledger.open_for_reading(ledger) as opened:
        opened.check_chain()
        opened.check_artefacts(ticket)
        state = next(iter(opened.latest_tickets([ticket])), None)
        judgement = opened.latest_judgement(ticket)
        doubts: tuple[str, ...] = ()
        basis = _kept_basis(opened, state, judgement)
        if state is not None and cards is not None and stand is not None:
            plugins = load_plugins_aloud()
            stand_file = load_stand(stand, plugins)
            card = load_cards(cards, plugins).get(state.record.ticket.model)
            judgement = judge_ticket(state, card, stand_file)
            basis |= {judgement.card: card.card.card if card else "", judgement.stand: stand_file.name}
            if stand_file.watch is not None:
                doubts = read_watch(opened, stand_file.watch, stand_file.name).doubts_of_ticket(state)
        elif state is not None:
            doubts = Gatekeeper(opened).find_doubts(state, judgement)
    decision = open_gate(ticket, state, judgement, doubts)
    if as_json:
        click.echo(json.dumps(_as_data(decision, state, judgement), indent=2))
    else:
        click.echo("\n".join(_tell(decision, state, judgement, basis)))
    return EXIT_CODES[decision.word]


def _kept_basis(ledger: Ledger, state: TicketState | None, judgement: Judgement | None) -> dict[str, str]:
    """Give SHA-256 -> name of the plan, and of the card and stand file that a kept judgement went by, where kept."""
    hashes = [state.record.plan_sha256] if state is not None else []
    hashes += [judgement.card, judgement.stand] if judgement is not None else []
    found = {sha256: find_document(ledger, sha256) for sha256 in hashes}
    return {sha256: document.name for sha256, document in found.items() if document is not None}


def _tell(
    decision: Decision, state: TicketState | None, judgement: Judgement | None, basis: Mapping[str, str]
) -> Iterator[str]:
    yield f"{decision.ticket}: {decision}"
    if state is not None:
        ticket = state.record.ticket
        yield f"  {ticket.model}, serial {ticket.serial}, measured {state.measured_at}"
        yield from _describe_measuring(state, basis)
        if judgement is not None:
            yield from _tell_basis(state, judgement, basis)
        yield from (f"  note: {note}" for note in notes_of(state))
    yield from (f"  - {reason}" for reason in decision.reasons)


def _describe_measuring(state: TicketState, basis: Mapping[str, str]) -> Iterator[str]:
    """Name the plan, and the program where another version measured than judges now."""
    plan = state.record.plan_sha256
    yield f"  measured by plan `{basis.get(plan, '?')}` ({plan[:SHORT]})"
    own = version("glasswright")
    if state.program not in ("", own):
        what = f"measured by version {state.program} of the program, this is version {own}"
        yield f"  note: {what}: `glasswright watch` shows whether the reference lens's numbers moved"


def _tell_basis(state: TicketState, judgement: Judgement, basis: Mapping[str, str]) -> Iterator[str]:
    """Name the card and the stand file, each with the start of its SHA-256.

    That the stand file has changed since measuring is only a note: so it does whenever a study of the stand is
    adopted, and the lens need not be shot again for that. Which text it was judged with stays in the ledger.
    """
    card = f"card `{basis.get(judgement.card, '?')}` ({judgement.card[:SHORT]})" if judgement.card else "no card"
    yield f"  by {card} and stand file `{basis.get(judgement.stand, '?')}` ({judgement.stand[:SHORT]})"
    measured_with = state.record.stand_sha256
    if measured_with != judgement.stand:
        what = f"another text of the stand file than it was measured with ({measured_with[:SHORT]})"
        yield f"  note: judged with {what}: its reproducibility makes the guard bands"


def _as_data(decision: Decision, state: TicketState | None, judgement: Judgement | None) -> dict[str, object]:
    ticket = state.record.ticket if state else None
    return {
        "ticket": decision.ticket,
        "word": str(decision.word),
        "release": EXIT_CODES[decision.word] == 0,
        "rehearsed": decision.rehearsed,
        "reasons": decision.reasons,
        "model": ticket.model if ticket else None,
        "serial": ticket.serial if ticket else None,
        "phase": ticket.phase if ticket else None,
        "measured_at": state.measured_at if state else None,
        "notes": notes_of(state) if state else [],
        "gone_shots": state.gone_shots if state else [],
        "manifest": state.content if state else None,
        "plan": state.record.plan_sha256 if state else None,
        "program": state.program if state else None,
        "card": judgement.card if judgement else None,
        "stand": judgement.stand if judgement else None,
        "stand_measured_with": state.record.stand_sha256 if state else None,
    }
