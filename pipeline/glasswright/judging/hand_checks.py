"""Judges the hand checks that a card asks for by the ticket's answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.config import did_you_mean
from glasswright.judging.card import HAND_STEP, hand_measures
from glasswright.judging.hand_answers import find_doubtful
from glasswright.judging.method import why_made_otherwise
from glasswright.ledger.verdict import LimitVerdict, Verdict
from glasswright.plugin.outcome import Status

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.judging.card import Card
    from glasswright.judging.validity import TicketView
    from glasswright.plugin.measurements import FieldDescription, Measured

WHERE = "the whole ticket"
UNASKED_PHASES = ("reference", "study")
"""Visits that look at the stand and not at a customer's lens; the gate releases neither, whatever is judged."""


def judge_hand_checks(view: TicketView, card: Card, refusal: str) -> tuple[LimitVerdict, ...]:
    """Judge every hand check that a card lists: there is one verdict for each, whatever the ticket holds.

    A signed *pass* is PASS, unless its signature or what was answered before must be looked at: then it is REVIEW. A
    signed *fail* is FAIL. What nobody answered, what nobody signed, and *not applicable* to a
    thing that the card says this model has, is UNKNOWN. No uncertainty enters: the decision rule is the simple one.
    A visit of the reference lens, or of a study, is asked for none.

    Parameters
    ----------
    refusal
        Why the card does not hold for this ticket at all; empty where it does.
    """
    if view.record.ticket.phase in UNASKED_PHASES:
        return ()
    otherwise = why_made_otherwise(card, HAND_STEP, view.method) if HAND_STEP in view.by_step else ""
    return tuple(
        _verdict(name, Verdict.UNKNOWN, otherwise) if otherwise and not refusal else _judge(view, name, refusal)
        for name in card.hand_checks
    )


def _judge(view: TicketView, name: str, refusal: str) -> LimitVerdict:
    passed, says = (measure.partition(".")[2] for measure in hand_measures(name))
    if refusal:
        return _verdict(name, Verdict.UNKNOWN, f"the card does not hold here: {refusal}")
    outcomes = view.by_step.get(HAND_STEP, ())
    if not outcomes:
        return _verdict(name, Verdict.UNKNOWN, f"no step `{HAND_STEP}` was run for this ticket: add it to the plan")
    outcome = outcomes[0]
    if outcome.status is not Status.DONE:
        return _verdict(
            name, Verdict.UNKNOWN, f"`{HAND_STEP}` is {outcome.status}: {outcome.reason or 'no reason given'}"
        )
    sentence = _sentence(outcome.measured.get(says), name)
    value = outcome.measured[passed].value if passed in outcome.measured else None
    verdict = {1.0: Verdict.PASS, 0.0: Verdict.FAIL}.get(-1.0 if value is None else value, Verdict.UNKNOWN)
    answer = next((each for each in view.record.ticket.hand_checks if each.check == name), None)
    doubtful = find_doubtful(answer, view.state) if answer is not None and verdict is not Verdict.UNKNOWN else ()
    if doubtful:
        sentence += f"; but {'; '.join(doubtful)}"
        verdict = Verdict.REVIEW if verdict is Verdict.PASS else verdict
    # what a stage says of the stand is nothing to what hands found
    caveats = sorted({*outcome.caveats, *view.record.ticket.caveats})
    if caveats:
        sentence += f"; with the caveat {', '.join(caveats)}"
        verdict = Verdict.REVIEW if verdict is Verdict.PASS else verdict
    return _verdict(name, verdict, sentence, None if verdict is Verdict.UNKNOWN else value)


def _sentence(says: Measured | None, name: str) -> str:
    if says is None or not says.text:
        return f"`{HAND_STEP}` knows no hand check `{name}`: correct the card"
    return says.text


def _verdict(name: str, verdict: Verdict, reason: str, value: float | None = None) -> LimitVerdict:
    return LimitVerdict(
        measure=hand_measures(name)[0],
        at=WHERE,
        verdict=verdict,
        reason=reason,
        value=value,
        lower=None if value is None else 1.0,
    )


def problem_of_hand_check(name: str, fields: Mapping[str, FieldDescription]) -> str:
    """Say what is wrong with a hand check that a card lists, given what a plan measures; empty for nothing."""
    known = {path.split(".")[1] for path in fields if path.startswith(f"{HAND_STEP}.") and path.endswith(".passed")}
    if not known:
        return f"the plan has no step `{HAND_STEP}`, so no hand check can pass: add it to the plan"
    return "" if name in known else f"there is no hand check `{name}`; {did_you_mean(name, known)}"
