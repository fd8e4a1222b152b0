"""Judges the hand checks that a card lists by the ticket's answers."""

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
"""Phases that test the stand and not a customer's lens; the gate releases neither."""


def judge_hand_checks(view: TicketView, card: Card, refusal: str) -> tuple[LimitVerdict, ...]:
    """Return one verdict for each hand check that a card lists.

    A signed *pass* is PASS, or REVIEW if its signature or an earlier answer makes it implausible. A signed *fail* is
    FAIL. A missing or unsigned answer, and *not applicable* for a check that the card lists, is UNKNOWN. There is no
    uncertainty: the decision rule is the simple one. Reference and study visits need no hand checks.

    Parameters
    ----------
    refusal
        Why the card is not valid for this ticket; empty if it is.
    """
    if view.record.ticket.phase in UNASKED_PHASES:
        return ()
    otherwise = why_made_otherwise(card, HAND_STEP, view.method) if HAND_STEP in view.by_step else ""
    return tuple(
        _verdict(name, Verdict.UNKNOWN, otherwise) if otherwise and not refusal else _judge(view, name, refusal)
        for name in card.hand_checks
    )


def _judge(view: TicketView, name: str, refusal: str) -> LimitVerdict:
    passed, text_field = (measure.partition(".")[2] for measure in hand_measures(name))
    if refusal:
        return _verdict(name, Verdict.UNKNOWN, f"the card is not valid here: {refusal}")
    outcomes = view.by_step.get(HAND_STEP, ())
    if not outcomes:
        return _verdict(name, Verdict.UNKNOWN, f"no step `{HAND_STEP}` was run for this ticket: add it to the plan")
    outcome = outcomes[0]
    if outcome.status is not Status.DONE:
        return _verdict(
            name, Verdict.UNKNOWN, f"`{HAND_STEP}` is {outcome.status}: {outcome.reason or 'no reason given'}"
        )
    sentence = _sentence(outcome.measured.get(text_field), name)
    value = outcome.measured[passed].value if passed in outcome.measured else None
    verdict = {1.0: Verdict.PASS, 0.0: Verdict.FAIL}.get(-1.0 if value is None else value, Verdict.UNKNOWN)
    answer = next((each for each in view.record.ticket.hand_checks if each.check == name), None)
    doubtful = find_doubtful(answer, view.state) if answer is not None and verdict is not Verdict.UNKNOWN else ()
    if doubtful:
        sentence += f"; but {'; '.join(doubtful)}"
        verdict = Verdict.REVIEW if verdict is Verdict.PASS else verdict
    # caveats that a stage found about the stand do not concern hand checks
    caveats = sorted({*outcome.caveats, *view.record.ticket.caveats})
    if caveats:
        sentence += f"; with the caveat {', '.join(caveats)}"
        verdict = Verdict.REVIEW if verdict is Verdict.PASS else verdict
    return _verdict(name, verdict, sentence, None if verdict is Verdict.UNKNOWN else value)


def _sentence(found: Measured | None, name: str) -> str:
    if found is None or not found.text:
        return f"`{HAND_STEP}` has no hand check `{name}`: correct the card"
    return found.text


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
    """Return the problem with a card's hand check, given the fields that a plan measures; empty if there is none."""
    known = {path.split(".")[1] for path in fields if path.startswith(f"{HAND_STEP}.") and path.endswith(".passed")}
    if not known:
        return f"the plan has no step `{HAND_STEP}`, so no hand check can pass: add it to the plan"
    return "" if name in known else f"there is no hand check `{name}`; {did_you_mean(name, known)}"
