"""`glasswright gate`: decide whether a lens may go back to its owner."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.plugin_notes import load_plugins_aloud
from glasswright.config import did_you_mean
from glasswright.config.stand.file import load_stand
from glasswright.judging.cards import load_cards
from glasswright.judging.gate import EXIT_CODES, open_gate
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger import Ledger
from glasswright.reports.names import field_names

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.judging.gate import Decision
    from glasswright.judging.gatekeeper import Gated

SHORT = 12
"""Number of characters of a SHA-256 that are printed."""

EXAMPLE = """\b
Example, in a script (only 0 releases; any other code, known or not, does not):
  if glasswright gate T-0412 --ledger bench.ledger; then echo "back to its owner"; fi
"""


@click.command(epilog=EXAMPLE)
@click.argument("ticket")
@click.option("--ledger", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--cards", type=click.Path(path_type=Path), help="Folder of cards to judge by.")
@click.option("--stand", type=click.Path(path_type=Path), help="Stand file to judge by.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, for machines.")
def gate(ticket: str, ledger: Path, cards: Path | None, stand: Path | None, as_json: bool) -> int:
    """Decide whether the lens of TICKET may go back to its owner: RELEASE, HOLD, REVIEW or INCOMPLETE, and why.

    The measurements are judged by the card and stand file of the ledger's latest judgement, or by --cards and --stand.
    RELEASED ON REVIEW is a lens in review that a named person released (`glasswright decide`). Every row and file that
    the decision depends on is checked against its hash.

    Exit codes: 0 release, 10 hold, 11 review, 12 incomplete, 14 released on review, 2 wrong command or configuration,
    21 the ledger is missing, newer or damaged.
    """
    if (cards is None) != (stand is None):
        raise click.UsageError("give both --cards and --stand, to judge by them, or neither")
    with Ledger.open_for_reading(ledger) as opened:
        opened.check_chain()
        opened.check_artefacts(ticket)
        if cards is not None and stand is not None:
            plugins = load_plugins_aloud()
            gated = Gatekeeper(opened).gate_by(ticket, load_cards(cards, plugins), load_stand(stand, plugins))
        else:
            gated = Gatekeeper(opened).gate(ticket, measures=None)
        decision = gated.decision if gated else open_gate(ticket, None, None, unjudged=opened.why_pending(ticket))
        near = "" if gated or opened.why_pending(ticket) else did_you_mean(ticket, opened.ticket_numbers())
        head = opened.head()
    if as_json:
        click.echo(json.dumps({**_as_data(decision, gated), "ledger_head": dataclasses.asdict(head)}, indent=2))
    else:
        click.echo("\n".join(_format_decision(decision, gated)))
        if near.startswith("did you mean"):
            click.echo(near, err=True)
    return EXIT_CODES[decision.kind]


def _format_decision(decision: Decision, gated: Gated | None) -> Iterator[str]:
    yield f"{decision.ticket}: {decision}"
    if gated is not None:
        state, judgement = gated.state, gated.judgement
        ticket = state.record.ticket
        yield f"  {ticket.model}, serial {ticket.serial}, measured {state.measured_at}"
        yield f"  measured by plan {_name(gated, state.record.plan_sha256)}"
        if judgement is not None:
            card = f"card {_name(gated, judgement.card)}" if judgement.card else "no card"
            yield f"  by {card} and stand file {_name(gated, judgement.stand)}"
    yield from (f"  note: {note}" for note in decision.notes)
    yield from (f"  - {field_names().make_readable(reason)}" for reason in decision.reasons)


def _name(gated: Gated, sha256: str) -> str:
    return f"`{gated.names.get(sha256, '?')}` ({sha256[:SHORT]})"


def _as_data(decision: Decision, gated: Gated | None) -> dict[str, object]:
    state = gated.state if gated else None
    judgement = gated.judgement if gated else None
    ticket = state.record.ticket if state else None
    return {
        "ticket": decision.ticket,
        "decision": str(decision.kind),
        "release": EXIT_CODES[decision.kind] == 0,
        "released_by": decision.released_by or None,
        "rehearsed": decision.rehearsed,
        "reasons": decision.reasons,
        "notes": decision.notes,
        "model": ticket.model if ticket else None,
        "serial": ticket.serial if ticket else None,
        "phase": ticket.phase if ticket else None,
        "measured_at": state.measured_at if state else None,
        "gone_shots": state.gone_shots if state else [],
        "manifest": state.content if state else None,
        "plan": state.record.plan_sha256 if state else None,
        "program": state.program if state else None,
        "card": judgement.card if judgement else None,
        "stand": judgement.stand if judgement else None,
        "stand_measured_with": state.record.stand_sha256 if state else None,
    }
