"""Reads the tickets that a command names."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from glasswright.config import did_you_mean
from glasswright.judging.gatekeeper import Gatekeeper

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger import Ledger


def gate_tickets(ledger: Ledger, numbers: Sequence[str]) -> list[Gated]:
    """Return the gate's decision on tickets, with all measurements, in the given order.

    Raises
    ------
    click.UsageError
        If a number is given twice, or is not in the ledger.
    """
    twice = [number for place, number in enumerate(numbers) if number in numbers[:place]]
    if twice:
        raise click.UsageError(f"{twice[0]} is given twice: remove one")
    found = {each.state.record.ticket.number: each for each in Gatekeeper(ledger).gate_all(numbers, measures=None)}
    for number in numbers:
        if number not in found:
            raise click.UsageError(
                f"the ledger has no ticket `{number}`; {did_you_mean(number, ledger.ticket_numbers())}"
            )
    return [found[number] for number in numbers]
