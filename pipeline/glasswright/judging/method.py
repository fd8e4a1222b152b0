"""Checks that a number was made by the method that its limit is valid for."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

from glasswright.config.plan.method import MeasuredMethod, Method, find_closure, find_differences

if TYPE_CHECKING:
    from collections.abc import Collection

    from glasswright.judging.card import Card

MOST_SHOWN: Final = 3
"""Number of differences that one reason names."""

ROLE: Final = "role."
"""Prefix of an input that takes shots of a role."""

NO_PLAN: Final = "the card has no plan, so its limits apply to no number: run `glasswright adopt`"


def why_made_otherwise(card: Card, step: str, measured: str) -> str:
    """Explain why a step's numbers were not made by the card's method; empty if they were.

    Parameters
    ----------
    measured
        The ticket's method in the ledger, as JSON; empty if there is none.
    """
    if card.plan is None:
        return NO_PLAN
    if not measured:
        return f"the ledger has no method for `{step}`: measure the ticket again"
    found = _find(card.plan.text, measured, step)
    if not found:
        return ""
    more = len(found) - MOST_SHOWN
    shown = "; ".join(found[:MOST_SHOWN]) + (f"; and {more} more" if more > 0 else "")
    return f"not made as the card's plan `{card.plan.name}` makes it: {shown}"


def why_not_run(step: str, measured: str, ran: Collection[str]) -> str:
    """Explain why a ticket has no outcome of a step: it is not in the plan, or its shots are missing.

    Parameters
    ----------
    measured
        The ticket's method in the ledger, as JSON; empty if there is none.
    ran
        Names of the steps that have outcomes.
    """
    reason = f"no step `{step}` was run for this ticket"
    if not measured:
        return reason
    method = _read_measured(measured)
    if step not in method.stages:
        return f"{reason}: add it to the plan"
    steps = find_closure(method, [step]).items()
    sources = {source for name, entry in steps if name not in ran for source in entry.inputs.values()}
    unshot = sorted(source.removeprefix(ROLE) for source in sources if source.startswith(ROLE))
    return f"{reason}: there is no {' and no '.join(unshot)} shot" if unshot else reason


@lru_cache(maxsize=4096)
def _find(adopted: str, measured: str, step: str) -> tuple[str, ...]:
    return find_differences(_read_adopted(adopted), _read_measured(measured), step)


@lru_cache(maxsize=256)
def _read_adopted(text: str) -> Method:
    return Method.model_validate_json(text)


@lru_cache(maxsize=256)
def _read_measured(text: str) -> MeasuredMethod:
    return MeasuredMethod.model_validate_json(text)
