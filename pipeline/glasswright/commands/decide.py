"""`glasswright decide`: record that a named person releases a lens in review."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from glasswright.commands.remarks import RemarkRefusedError, open_to_remark, read_name_and_reason, refuse_unknown
from glasswright.judging.gate import EXIT_CODES, DecisionKind
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.judging.review import basis_of
from glasswright.ledger import describe_run
from glasswright.ledger.decisions import PersonsDecision
from glasswright.reports.names import field_names

if TYPE_CHECKING:
    from glasswright.judging.gatekeeper import Gated

MOST_REASONS = 2
EXAMPLE = """\b
Example:
  glasswright decide T-0412 --ledger bench.ledger --by "K. Moreau" --why "corner at f/2 as good as before the repair"
"""


@click.command(epilog=EXAMPLE)
@click.argument("ticket")
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--by", "person", required=True, help="Who decides; a name that the stand file lists in `may_decide`.")
@click.option("--why", required=True, help="Why the lens is released, or why the release is withdrawn.")
@click.option("--withdraw", is_flag=True, help="Withdraw an earlier release on review; both stay in the ledger.")
def decide(ticket: str, path: Path, person: str, why: str, withdraw: bool) -> None:
    """Release the lens of TICKET, which is in review, by decision of a named person.

    Only REVIEW can be decided, never HOLD, INCOMPLETE or damage, and only by a name in `may_decide` of the stand file
    that the ticket is judged with. The decision is valid for the current measurements, judgement and reasons; if any of
    them changes, it becomes void. `gate` then ends with 14, RELEASED ON REVIEW.

    Exit codes: 0 decided, 2 the ticket is not in review, or that person may not decide, 20 another run holds the
    ledger, 21 the ledger is missing, newer or damaged.
    """
    person, why = read_name_and_reason(person, why)
    with open_to_remark(path) as ledger:
        ledger.check_artefacts(ticket)
        gated = Gatekeeper(ledger).gate(ticket)
        if gated is None:
            raise refuse_unknown(ledger, ticket)
        _refuse_person(gated, person)
        earlier = ledger.latest_decisions([ticket]).get(ticket)
        if withdraw:
            if earlier is None or not earlier.releases:
                raise RemarkRefusedError(f"ticket {ticket} was not released on review: there is nothing to withdraw")
            decision = PersonsDecision(ticket=ticket, releases=False, person=person, why=why, basis=earlier.basis)
        else:
            decision = _release(gated, person, why)
        run = ledger.begin_run(describe_run())
        ledger.add_decision(run, decision)
        ledger.end_run(run, {"decided": ticket}, backup=False)
    lens = f"{gated.state.record.ticket.model}, serial {gated.state.record.ticket.serial}"
    if withdraw:
        click.echo(f"{ticket} ({lens}): release on review withdrawn by {person}: {why}")
        return
    click.echo(f"{ticket} ({lens}): released by {person} on review: {why}")
    for reason in decision.basis.reasons:
        click.echo(f"  was in review: {reason}")
    click.echo(f"`glasswright gate` now ends with {EXIT_CODES[DecisionKind.RELEASED_ON_REVIEW]} for it")


def _refuse_person(gated: Gated, person: str) -> None:
    if person in gated.may_decide:
        return
    stand = gated.names.get(gated.judgement.stand, "?") if gated.judgement is not None else ""
    if not stand:
        raise RemarkRefusedError(_format_not_in_review(gated))
    who = f"only {', '.join(gated.may_decide)} may" if gated.may_decide else "nobody may"
    raise RemarkRefusedError(
        f"{person} may not decide, according to the stand file `{stand}`: {who}: add the name to `may_decide` in the "
        "stand file, run `glasswright judge` with it and --adopt-stand, then decide"
    )


def _release(gated: Gated, person: str, why: str) -> PersonsDecision:
    decision = gated.decision
    if decision.kind is DecisionKind.RELEASED_ON_REVIEW:
        raise RemarkRefusedError(
            f"ticket {decision.ticket} is already decided: {decision.reasons[0]}: withdraw that first"
        )
    if decision.kind is not DecisionKind.REVIEW or gated.judgement is None:
        raise RemarkRefusedError(_format_not_in_review(gated))
    basis = basis_of(gated.state, gated.judgement, decision.reasons)
    return PersonsDecision(ticket=decision.ticket, releases=True, person=person, why=why, basis=basis)


def _format_not_in_review(gated: Gated) -> str:
    decision = gated.decision
    what = f"ticket {decision.ticket} is {decision.kind}, and only REVIEW can be decided"
    more = len(decision.reasons) - MOST_REASONS
    rest = f"; and {more} more (`glasswright gate` lists them)" if more > 0 else ""
    return f"{what}: {field_names().make_readable('; '.join(decision.reasons[:MOST_REASONS]))}{rest}"
