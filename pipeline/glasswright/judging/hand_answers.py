"""Plausibility of hand-check answers: signature, date, and earlier answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from glasswright.config.schema.names import problem_of_person

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.ledger.records import TicketState
    from glasswright.plugin.artefact import HandAnswer

CLOCKS_APART: Final = timedelta(hours=1)
"""Largest accepted difference between the clocks of a bench."""
BEFORE_SHOTS: Final = timedelta(days=3)
"""Longest time from a check to the shots (Friday to Monday); an older check belongs to another visit."""
CLOCK_IS_WRONG: Final = timedelta(days=1)
"""Shots that seem to be taken this much later than they were measured show that the body's clock is wrong."""


def find_doubtful(answer: HandAnswer, state: TicketState) -> tuple[str, ...]:
    """Explain why a person should look at a signed answer again; empty if it is plausible.

    Parameters
    ----------
    answer
        The ticket's current answer to a hand check.
    state
        State of the ticket, with the times of its shots and measurements and its earlier answers.
    """
    return (*_find_invalid_signature(answer, state), *_find_turned(answer, find_earlier(answer, state)))


def find_earlier(answer: HandAnswer, state: TicketState) -> tuple[HandAnswer, ...]:
    """Return the earlier answers to the same check, oldest first, from ticket.yaml and from earlier runs."""
    known = [*answer.earlier, *(each for each in state.earlier_answers if each.check == answer.check)]
    known += [old for each in known for old in each.earlier]
    others = {replace(each, earlier=()) for each in known} - {replace(answer, earlier=())}
    return tuple(sorted(others, key=lambda each: (each.when, each.answer, each.who, each.note)))


def describe_answer(answer: HandAnswer) -> str:
    """Return an answer in one line: `fail (K. Moreau, 2026-03-02): scratch at the rim`."""
    signed = ", ".join(part for part in (answer.who, answer.when) if part) or "not signed"
    return f"{answer.answer.replace('_', ' ')} ({signed})" + (f": {answer.note}" if answer.note else "")


def note_answers(state: TicketState) -> tuple[str, ...]:
    """Return a line for each answer that has a note or an earlier answer; they are printed with every decision."""
    lines = []
    for answer in state.record.ticket.hand_checks:
        earlier = find_earlier(answer, state)
        if answer.note or earlier:
            before = "".join(f"; earlier {describe_answer(each)}" for each in earlier)
            lines.append(f"hand check {answer.check.replace('_', ' ')}: {describe_answer(answer)}{before}")
    return tuple(lines)


def _find_invalid_signature(answer: HandAnswer, state: TicketState) -> Iterator[str]:
    problem = problem_of_person(answer.who)
    if problem:
        yield problem
    measured, visit = datetime.fromisoformat(state.measured_at), state.record.visit
    begin, end = _span(answer.when)
    if _by_clock(begin) > _by_clock(measured) + CLOCKS_APART:
        yield f"it is signed for {answer.when}, later than it was read ({state.measured_at}): correct the day"
    elif visit is not None and _by_clock(end) < visit - BEFORE_SHOTS and visit < _by_clock(measured) + CLOCK_IS_WRONG:
        yield f"it is signed for {answer.when}, and the lens was shot on {visit.date()}: do the check again"


def _find_turned(answer: HandAnswer, earlier: tuple[HandAnswer, ...]) -> Iterator[str]:
    """Yield a finding if a fail became a pass without a new reason in its note."""
    failed = [each for each in earlier if each.answer == "fail"]
    if answer.answer == "pass" and failed and answer.note in ("", *(each.note for each in failed)):
        yield f"it was {describe_answer(failed[-1])} before: say in its note why it passes now"


def _span(when: str) -> tuple[datetime, datetime]:
    """Return the first and last moment of a day; for a time both are the same."""
    begin = datetime.fromisoformat(when)
    return begin, begin if ":" in when else begin + timedelta(days=1)


def _by_clock(moment: datetime) -> datetime:
    """Return the local time without offset; a bench and its bodies use the same time zone."""
    return moment.replace(tzinfo=None)
