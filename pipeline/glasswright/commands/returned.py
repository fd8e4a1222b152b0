"""`glasswright returned`: record that a released lens came back."""

from __future__ import annotations

from pathlib import Path

import click

from glasswright.commands.remarks import RemarkRefusedError, find_ticket, open_to_remark, read_name_and_reason
from glasswright.ledger import describe_run
from glasswright.ledger.returned import latest_returned, mark_returned

EXAMPLE = """\b
Example:
  glasswright returned T-0412 --ledger bench.ledger --by "K. Moreau" --why "soft on the left side"
"""


@click.command(epilog=EXAMPLE)
@click.argument("ticket")
@click.option("--ledger", "path", type=click.Path(path_type=Path), required=True, help="The ledger.")
@click.option("--by", required=True, help="Who marks it.")
@click.option("--why", required=True, help="What the owner found, or why the mark is withdrawn.")
@click.option("--withdraw", is_flag=True, help="Withdraw an earlier mark; both stay in the ledger.")
def returned(ticket: str, path: Path, by: str, why: str, withdraw: bool) -> None:
    """Mark the lens of TICKET as having come back after its release.

    Tuning then counts it as a bad lens, and the gate stays closed until it is shot again. The mark is added to the
    ledger.

    Exit codes: 0 marked (or already was), 2 no such ticket, 20 another run holds the ledger, 21 the ledger is missing,
    newer or damaged.
    """
    by, why = read_name_and_reason(by, why)
    with open_to_remark(path) as ledger:
        state = find_ticket(ledger, ticket)
        last = latest_returned(ledger).get(ticket)
        marked = last is not None and last.came_back
        if withdraw and not marked:
            raise RemarkRefusedError(f"{path}: ticket `{ticket}` is not marked as returned: nothing to withdraw")
        if last is not None and last.came_back != withdraw and last.why == why:
            click.echo(f"{ticket}: already marked, at {last.marked_at}")
            return
        run = ledger.begin_run(describe_run())
        mark_returned(ledger, run, ticket, by, why, came_back=not withdraw)
        ledger.end_run(run, {"returned": ticket}, backup=False)
    lens = f"{state.record.ticket.model}, serial {state.record.ticket.serial}"
    click.echo(f"{ticket} ({lens}): {'no longer marked' if withdraw else 'marked'} as returned by {by}: {why}")
