"""Plausibility of hand-check answers: signature, date, and the answers they replaced."""

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
"""By so much the clocks of a bench may differ."""
BEFORE_SHOTS: Final = timedelta(days=3)
"""A check done on a Friday belongs to shots of the Monday after; one that is older is of another visit."""
CLOCK_IS_WRONG: Final = timedelta(days=1)
"""A body whose shots were taken later than they were measured, by so much, tells no time."""


def find_doubtful(answer: HandAnswer, state: TicketState) -> tuple[str, ...]:
    """Say why a person should look at a signed answer again; nothing if it can be believed.

    Parameters
    ----------
    answer
        To a hand check, as the ticket now holds it.
    state
        Of the ticket: when it was shot and measured, and what it answered before.
    """
    return (*_find_odd_signature(answer, state), *_find_turned(answer, find_earlier(answer, state)))


def find_earlier(answer: HandAnswer, state: TicketState) -> tuple[HandAnswer, ...]:
    """What was answered to the same check before, the first first: by ticket.yaml itself, and by earlier runs."""
    known = [*answer.earlier, *(each for each in state.earlier_answers if each.check == answer.check)]
    known += [old for each in known for old in each.earlier]
    others = {replace(each, earlier=()) for each in known} - {replace(answer, earlier=())}
    return tuple(sorted(others, key=lambda each: (each.when, each.answer, each.who, each.note)))


def describe_answer(answer: HandAnswer) -> str:
    """Return an answer in one line: `fail (K. Moreau, 2026-03-02): scratch at the rim`."""
    signed = ", ".join(part for part in (answer.who, answer.when) if part) or "not signed"
    return f"{answer.answer.replace('_', ' ')} ({signed})" + (f": {answer.note}" if answer.note else "")


def note_answers(state: TicketState) -> tuple[str, ...]:
    """Every answer that has a note, or that was another one before: to be told wherever a decision is printed."""
    told = []
    for answer in state.record.ticket.hand_checks:
        earlier = find_earlier(answer, state)
        if answer.note or earlier:
            before = "".join(f"; earlier {describe_answer(each)}" for each in earlier)
            told.append(f"hand check {answer.check.replace('_', ' ')}: {describe_answer(answer)}{before}")
    return tuple(told)


def _find_odd_signature(answer: HandAnswer, state: TicketState) -> Iterator[str]:
    problem = problem_of_person(answer.who)
    if problem:
        yield problem
    measured, visit = datetime.fromisoformat(state.measured_at), state.record.visit
    begin, end = _span(answer.when)
    if _by_clock(begin) > _by_clock(measured) + CLOCKS_APART:
        yield f"it is signed for {answer.when}, which is after it was read ({state.measured_at}): correct the day"
    elif visit is not None and _by_clock(end) < visit - BEFORE_SHOTS and visit < _by_clock(measured) + CLOCK_IS_WRONG:
        yield f"it is signed for {answer.when}, and the lens was shot on {visit.date()}: do the check again"


def _find_turned(answer: HandAnswer, earlier: tuple[HandAnswer, ...]) -> Iterator[str]:
    """A fail that became a pass needs a reason of its own, whoever signs: without one it is a word against another."""
    failed = [each for each in earlier if each.answer == "fail"]
    if answer.answer == "pass" and failed and answer.note in ("", *(each.note for each in failed)):
        yield f"it was {describe_answer(failed[-1])} before: say in its note why it passes now"


def _span(when: str) -> tuple[datetime, datetime]:
    """Return the first and the last moment that a day, or a time, may mean."""
    begin = datetime.fromisoformat(when)
    return begin, begin if ":" in when else begin + timedelta(days=1)


def _by_clock(moment: datetime) -> datetime:
    """Return what a clock on the wall showed; a bench and its bodies keep one time."""
    return moment.replace(tzinfo=None)
