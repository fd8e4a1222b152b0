"""Selection of the tickets to export."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING

from glasswright.errors import GlasswrightError
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.watch.series import nights_of_ticket

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger import Ledger


class NoSuchNightError(GlasswrightError):
    """The requested night is not a date, or has no tickets."""

    exit_code = 2


def choose_tickets(ledger: Ledger, night: str | None) -> tuple[str, ...]:
    """Return the numbers of all tickets, or of those shot in one night.

    Parameters
    ----------
    night
        The date of its evening, `last` for the latest night, None for all.

    Raises
    ------
    NoSuchNightError
        If it is not a date, or nothing was shot then; the message names the latest nights.
    """
    nights = {state.record.ticket.number: nights_of_ticket(state) for state in ledger.latest_tickets(measures=())}
    if night is None:
        return tuple(nights)
    every = sorted({each for shot_in in nights.values() for each in shot_in})
    wanted = (every[-1] if every else None) if night == "last" else _read_date(night)
    chosen = tuple(number for number, shot_in in nights.items() if wanted in shot_in)
    if not chosen:
        known = ", ".join(map(str, every[-5:])) or "none"
        raise NoSuchNightError(f"no ticket was shot in the night of {night}; the latest nights are: {known}")
    return chosen


def _read_date(text: str) -> date:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        raise NoSuchNightError(f"`{text}` is not a date: write the evening's as 2026-03-14, or `last`")
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise NoSuchNightError(
            f"`{text}` is not a date ({error}): write the evening's as 2026-03-14, or `last`"
        ) from error


def read_tickets(ledger: Ledger, numbers: Sequence[str], measures: Collection[str] | None = None) -> Iterator[Gated]:
    """Yield gated tickets with the requested measurements (all if None)."""
    return Gatekeeper(ledger).gate_all(numbers, measures)
