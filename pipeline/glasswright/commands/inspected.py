"""`glasswright inspected`: record what a person found on inspecting a lens again."""

from __future__ import annotations

from pathlib import Path

import click

from glasswright.commands.remarks import RemarkRefusedError, find_ticket, open_to_remark, read_name_and_reason
from glasswright.ledger import describe_run
from glasswright.ledger.inspected import Finding, add_inspected, latest_inspected

EXAMPLE = """\b
Example:
  glasswright inspected T-0412 sound --ledger bench.ledger --by "K. Moreau" --why "sharp on film, no fault found"
"""


@click.command(epilog=EXAMPLE)
@click.argument("ticket")
@click.argument("finding", type=click.Choice([each.value for each in Finding]))
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--by", "person", required=True, help="Who inspected the lens.")
@click.option("--why", required=True, help="What was seen, or why the finding is withdrawn.")
def inspected(ticket: str, finding: str, path: Path, person: str, why: str) -> None:
    """Record that a person inspected the lens of TICKET again and found it sound or faulty.

    Tuning counts a lens that a limit holds as healthy only after it was found sound, and never proposes a laxer limit
    without such lenses. No verdict changes: `decide` releases a lens in review. The finding is added to the ledger. It
    concerns the current measurements and does not count once the ticket is measured again.

    Exit codes: 0 recorded (or already was), 2 no such ticket, 20 another run holds the ledger, 21 the ledger is
    missing, newer or damaged.
    """
    found = Finding(finding)
    person, why = read_name_and_reason(person, why)
    with open_to_remark(path) as ledger:
        state = find_ticket(ledger, ticket)
        last = latest_inspected(ledger).get(ticket)
        if found is Finding.WITHDRAWN and (last is None or last.finding is Finding.WITHDRAWN):
            raise RemarkRefusedError(f"{path}: ticket `{ticket}` has no finding: nothing to withdraw")
        if last is not None and (last.content, last.finding, last.person, last.why) == (
            state.content, found, person, why,
        ):  # fmt: skip
            click.echo(f"{ticket}: already recorded, at {last.inspected_at}")
            return
        run = ledger.begin_run(describe_run())
        add_inspected(ledger, run, ticket, state.content, found, person, why)
        ledger.end_run(run, {"inspected": ticket}, backup=False)
    lens = f"{state.record.ticket.model}, serial {state.record.ticket.serial}"
    what = "finding withdrawn" if found is Finding.WITHDRAWN else f"found {found}"
    click.echo(f"{ticket} ({lens}): {what} by {person}: {why}")
