"""The tickets that are exported: each with its latest judgement, if that still speaks of what was measured."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from glasswright.errors import GlasswrightError
from glasswright.judging.judge import JUDGE_VERSION
from glasswright.watch.gatekeeper import Gatekeeper
from glasswright.watch.series import nights_of_ticket

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from glasswright.judging.gate import Decision
    from glasswright.judging.verdict import Judgement, LimitVerdict
    from glasswright.ledger import Ledger, TicketState

AT_ONCE: Final = 50
"""Tickets whose measurements are held at a time."""


class NoSuchNightError(GlasswrightError):
    """The night that was asked for is no date, or holds no ticket."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedTicket:
    """What the ledger says of a ticket now."""

    state: TicketState
    judgement: Judgement | None
    """The latest one; None if there is none."""
    decision: Decision

    @property
    def is_current(self) -> bool:
        """Whether the judgement speaks of what was measured last, by the rules of this program."""
        judgement = self.judgement
        return (
            judgement is not None
            and judgement.manifest == self.state.content
            and judgement.judge_version == JUDGE_VERSION
        )

    @property
    def verdicts(self) -> tuple[LimitVerdict, ...]:
        """Those of a judgement that is current; an older one's say nothing of this measurement."""
        return self.judgement.verdicts if self.judgement is not None and self.is_current else ()

    @property
    def whole_reasons(self) -> tuple[str, ...]:
        """Why the ticket as a whole has no verdict; empty where each limit has its own."""
        if self.judgement is not None and self.is_current:
            return self.judgement.reasons
        return (f"not judged as it stands now: {'; '.join(self.decision.reasons)}",)


def choose_tickets(ledger: Ledger, night: str | None) -> tuple[str, ...]:
    """Give the numbers of all tickets, or of those shot in one night.

    Parameters
    ----------
    night
        The date of its evening, `last` for the latest night, None for all.

    Raises
    ------
    NoSuchNightError
        If it is no date, or nothing was shot then; the message names the latest nights there are.
    """
    nights = {state.record.ticket.number: nights_of_ticket(state) for state in ledger.latest_tickets(measures=())}
    if night is None:
        return tuple(nights)
    every = sorted({each for shot_in in nights.values() for each in shot_in})
    wanted = (every[-1] if every else None) if night == "last" else _read_date(night)
    chosen = tuple(number for number, shot_in in nights.items() if wanted in shot_in)
    if not chosen:
        known = ", ".join(map(str, every[-5:])) or "none at all"
        raise NoSuchNightError(f"no ticket was shot in the night of {night}; the latest nights are: {known}")
    return chosen


def _read_date(text: str) -> date:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        raise NoSuchNightError(f"`{text}` is no date: write the evening's as 2026-03-14, or `last`")
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise NoSuchNightError(
            f"`{text}` is no date ({error}): write the evening's as 2026-03-14, or `last`"
        ) from error


def read_tickets(
    ledger: Ledger, numbers: Sequence[str], measures: Collection[str] | None = None
) -> Iterator[JudgedTicket]:
    """Give tickets some at a time, with the measurements asked for (all if None), each row checked against its hash."""
    gatekeeper = Gatekeeper(ledger)
    for start in range(0, len(numbers), AT_ONCE):
        for state in ledger.latest_tickets(numbers[start : start + AT_ONCE], measures):
            judgement = ledger.latest_judgement(state.record.ticket.number)
            yield JudgedTicket(state=state, judgement=judgement, decision=gatekeeper.decide(state, judgement))
