"""Checks that a number was made by the method its limit was written for."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

from glasswright.config.plan.method import MeasuredMethod, Method, find_differences

if TYPE_CHECKING:
    from glasswright.judging.card import Card

MOST_SHOWN: Final = 3
"""Differences that one reason names."""

NO_PLAN: Final = "the card names no plan, so its limits speak of no number: run `glasswright adopt`"


def why_made_otherwise(card: Card, step: str, measured: str) -> str:
    """Say why the numbers of a step are not those that the card's limits speak of; empty where they are.

    Parameters
    ----------
    measured
        The method that the ledger keeps with the ticket, as JSON; empty where it keeps none.
    """
    if card.plan is None:
        return NO_PLAN
    if not measured:
        return f"the ledger does not say how `{step}` was measured: measure the ticket again"
    found = _find(card.plan.text, measured, step)
    if not found:
        return ""
    more = len(found) - MOST_SHOWN
    shown = "; ".join(found[:MOST_SHOWN]) + (f"; and {more} more" if more > 0 else "")
    return f"not made as the card's plan `{card.plan.name}` makes it: {shown}"


@lru_cache(maxsize=4096)
def _find(adopted: str, measured: str, step: str) -> tuple[str, ...]:
    return find_differences(_read_adopted(adopted), _read_measured(measured), step)


@lru_cache(maxsize=256)
def _read_adopted(text: str) -> Method:
    return Method.model_validate_json(text)


@lru_cache(maxsize=256)
def _read_measured(text: str) -> MeasuredMethod:
    return MeasuredMethod.model_validate_json(text)
