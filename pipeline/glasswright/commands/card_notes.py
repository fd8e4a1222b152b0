"""Notes on a card: limits that cannot pass with this plan and this stand file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.config.schema.names import problem_of_person
from glasswright.errors import Problem
from glasswright.intake.shot_setting import Nominal
from glasswright.judging.adopting import find_changes
from glasswright.judging.decision import Tolerance, Uncertainty, decide
from glasswright.judging.hand_checks import problem_of_hand_check
from glasswright.judging.judge import ENOUGH_SHOTS, find_spreads, largest_spread
from glasswright.judging.method import NO_PLAN
from glasswright.ledger.verdict import Verdict
from glasswright.run.graph.grouping import planned_settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from glasswright.config import Plan, StandFile, TicketFile
    from glasswright.judging.card import Limit
    from glasswright.judging.cards import CardFile


def note_stand(file: CardFile, stand: StandFile) -> Iterator[Problem]:
    """Yield a note if a card is not valid for a stand, and for each limit that is REVIEW at best there."""
    valid = file.card.valid_for.stand
    if stand.name not in ((valid,) if isinstance(valid, str) else valid):
        message = f"the card is not for stand `{stand.name}`: every verdict will be UNKNOWN"
        yield file.document.problem(("valid_for", "stand"), message)
        return
    for index, limit in enumerate(file.card.limits):
        problem = _find_why_review(file, limit, stand) if file.card.rule_of(limit) == "guarded" else ""
        if problem:
            yield file.document.problem(("limits", index), f"{problem}: this limit is REVIEW at best")


def _find_why_review(file: CardFile, limit: Limit, stand: StandFile) -> str:
    """Explain why a guarded limit cannot pass on a stand, whatever is measured; empty if it can."""
    spreads = find_spreads(stand.reproducibility, limit.measure)
    if not spreads:
        return f"stand `{stand.name}` declares no reproducibility for `{limit.measure}`"
    repeats = find_spreads(stand.repeatability, limit.measure)
    if not repeats and not all(each.with_repeats for each in spreads):
        lacking = f"stand `{stand.name}` declares no repeatability for `{limit.measure}`"
        return f"{lacking}, which is needed with fewer than {ENOUGH_SHOTS} shots"
    if limit.min is None or limit.max is None:
        return ""
    middle = (limit.min + limit.max) / 2
    found = largest_spread(spreads, middle)
    if found is None or found[0] == 0:
        return ""
    # the best case: a number in the middle, without any uncertainty of its own
    best = Uncertainty(own=0.0, stand=found[0], stand_freedom=found[1])
    confidence = file.card.confidence_of(limit)
    tolerance = Tolerance(lower=limit.min, upper=limit.max, rule="guarded", confidence=confidence)
    if decide(middle, "", best, tolerance)[0] is Verdict.PASS:
        return ""
    close = f"`min` and `max` of `{limit.measure}` are too close together for the stand's uncertainty ({found[0]:.2g})"
    return f"{close}: not even the value in the middle is within both with a probability of {100 * confidence:g} %"


def note_plan(file: CardFile, plan: Plan) -> Iterator[Problem]:
    """Yield a note if a card has no plan, and for each difference between a plan and the card's own."""
    adopted = file.card.plan
    if adopted is None:
        yield file.document.problem(("card",), f"{NO_PLAN}; until then every limit is UNKNOWN")
        return
    for found in find_changes(file.card, plan):
        message = f"plan `{plan.name}` differs from the card's `{adopted.name}`: {found}"
        remedy = "limits on it are UNKNOWN unless `glasswright adopt` takes it"
        yield file.document.problem(("plan",), f"{message}; {remedy}")


def note_settings(file: CardFile, plan: Plan) -> Iterator[Problem]:
    """Yield a note for each limit at a setting that a plan does not list; a plan without settings accepts all."""
    listed = planned_settings(Nominal.of_plan(plan))
    if not listed:
        return
    for index, limit in enumerate(file.card.limits):
        if limit.at.model_fields_set and not any(limit.at.holds(setting) for setting in listed):
            yield file.document.problem(
                ("limits", index),
                f"plan `{plan.name}` lists no setting {limit.at}: this limit is UNKNOWN unless a ticket has such shots",
            )


def note_hand_checks(path: Path, ticket: TicketFile, plan: Plan | None) -> Iterator[Problem]:
    """Yield notes on hand checks: unknown to the plan, failed without a note, or with an invalid signature."""
    if plan is not None:
        fields = plan.fields()
        for message in dict.fromkeys(problem_of_hand_check(name, fields) for name in ticket.hand_checks):
            if message:
                yield Problem(str(path), 1, message)
    for name, note in ticket.hand_checks.items():
        if note.answer == "fail" and not note.note:
            yield Problem(str(path), 1, f"hand check `{name}` failed without a note: add what was found")
        if note.who and (problem := problem_of_person(note.who)):
            yield Problem(str(path), 1, f"hand check `{name}`: {problem}")
