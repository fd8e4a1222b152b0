"""What the commands share by which a named person adds a remark on a ticket to a ledger."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from glasswright.config.schema.names import problem_of_person
from glasswright.errors import GlasswrightError
from glasswright.ledger import Ledger
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from glasswright.ledger import TicketState


class RemarkRefusedError(GlasswrightError):
    """The ledger does not have the ticket, there is nothing to withdraw, or the person may not say so."""

    exit_code = 2


def read_name_and_reason(by: str, why: str) -> tuple[str, str]:
    """Return the texts of --by and --why without blanks around them.

    Raises
    ------
    click.BadParameter
        If the first names no person, the second says nothing, or one is longer than a line.
    """
    by, why = by.strip(), why.strip()
    if problem := problem_of_person(by) or ("" if escape(by) == by else "write it on one line"):
        raise click.BadParameter(problem, param_hint="--by")
    if not why or escape(why) != why:
        raise click.BadParameter("write it in a few words on one line", param_hint="--why")
    return by, why


@contextmanager
def open_to_remark(path: Path) -> Iterator[Ledger]:
    """Open a ledger that is there for writing, its chain checked."""
    if not path.is_file():
        # opening for writing would create the ledger; opening for reading raises the right error
        Ledger.open_for_reading(path)
    with Ledger.open_for_writing(path) as ledger:
        ledger.check_chain()
        yield ledger


def find_ticket(ledger: Ledger, ticket: str) -> TicketState:
    """Return where a ticket stands, without its measurements."""
    state = next(iter(ledger.latest_tickets([ticket], measures=())), None)
    if state is None:
        raise refuse_unknown(ledger, ticket)
    return state


def refuse_unknown(ledger: Ledger, ticket: str) -> RemarkRefusedError:
    """Return the error of a ticket that the ledger does not have."""
    return RemarkRefusedError(f"{ledger.database.path}: the ledger has no ticket `{ticket}`: correct the number")
