"""`glasswright gate`: may this lens go back to its owner?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config.stand_file import load_stand
from glasswright.judging.cards import load_cards
from glasswright.judging.gate import EXIT_CODES, open_gate
from glasswright.judging.judge import judge_ticket
from glasswright.ledger import Ledger
from glasswright.watch.gatekeeper import Gatekeeper
from glasswright.watch.watching import read_watch

if TYPE_CHECKING:
    from glasswright.judging.gate import Decision
    from glasswright.judging.verdict import Judgement
    from glasswright.ledger import TicketState

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
        if state is not None and cards is not None and stand is not None:
            stand_file = load_stand(stand, load_plugins_aloud())
            judgement = judge_ticket(state, load_cards(cards).get(state.record.ticket.model), stand_file)
            if stand_file.watch is not None:
                doubts = read_watch(opened, stand_file.watch, stand_file.name).doubts_of_ticket(state)
        elif state is not None:
            doubts = Gatekeeper(opened).find_doubts(state, judgement)
    decision = open_gate(ticket, state, judgement, doubts)
    click.echo(json.dumps(_as_data(decision, state, judgement), indent=2) if as_json else _as_text(decision, state))
    return EXIT_CODES[decision.word]


def _as_text(decision: Decision, state: TicketState | None) -> str:
    lines = [f"{decision.ticket}: {decision}"]
    if state is not None:
        ticket = state.record.ticket
        lines.append(f"  {ticket.model}, serial {ticket.serial}, measured {state.measured_at}")
        lines += [f"  note: {finding}" for finding in state.record.findings]
    return "\n".join([*lines, *(f"  - {reason}" for reason in decision.reasons)])


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
        "findings": state.record.findings if state else [],
        "manifest": state.content if state else None,
        "card": judgement.card if judgement else None,
        "stand": judgement.stand if judgement else None,
    }
