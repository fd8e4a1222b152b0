"""`glasswright returned`: record that a released lens came back."""

from __future__ import annotations

import platform
import sys
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

import click

from glasswright.config.schema.names import problem_of_person
from glasswright.errors import GlasswrightError
from glasswright.ledger import Ledger, RunRecord
from glasswright.ledger.returned import latest_returned, mark_returned
from glasswright.plain_text import escape

EXAMPLE = """\b
Example:
  glasswright returned T-0412 --ledger bench.ledger --by "K. Moreau" --why "soft on the left side"
"""


class NoSuchTicketError(GlasswrightError):
    """The ledger does not have the ticket, or there is no mark to withdraw."""

    exit_code = 2


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
    if not why.strip():
        raise click.BadParameter("give the reason in a few words", param_hint="--why")
    if problem := problem_of_person(by):
        raise click.BadParameter(problem, param_hint="--by")
    if not path.is_file():
        # opening one to write would make it; a reader says what is wrong
        Ledger.open_for_reading(path)
    with Ledger.open_for_writing(path) as ledger:
        ledger.check_chain()
        state = next(iter(ledger.latest_tickets([ticket], measures=())), None)
        if state is None:
            raise NoSuchTicketError(f"{path}: the ledger has no ticket `{ticket}`: correct the number")
        last = latest_returned(ledger).get(ticket)
        marked = last is not None and last.came_back
        if withdraw and not marked:
            raise NoSuchTicketError(f"{path}: ticket `{ticket}` is not marked as returned: nothing to withdraw")
        if last is not None and last.came_back != withdraw and last.why == why:
            click.echo(f"{ticket}: already marked, at {last.marked_at}")
            return
        run = ledger.begin_run(_record())
        mark_returned(ledger, run, ticket, by, why, came_back=not withdraw)
        ledger.end_run(run, {"returned": ticket}, backup=False)
    lens = f"{state.record.ticket.model}, serial {state.record.ticket.serial}"
    click.echo(f"{ticket} ({lens}): {'no longer marked' if withdraw else 'marked'} as returned by {by}: {why}")


def _record() -> RunRecord:
    return RunRecord(
        command=escape(" ".join(sys.argv)),
        machine=platform.node(),
        started_at=datetime.now().astimezone().isoformat(timespec="seconds"),
        versions={"glasswright": version("glasswright"), "python": platform.python_version()},
    )
