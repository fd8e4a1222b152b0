"""Comparison of a print with the cards."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.card_facts import list_facts

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def compare_with_cards(chart: str, magnification_frac: float, cards: Path) -> Iterator[str]:
    """Yield a sentence for each card of a folder: whether it is valid for a chart at a magnification."""
    facts = list_facts(cards)
    for model in dict.fromkeys(fact.model for fact in facts):
        wrong = []
        for fact in facts:
            if fact.model != model:
                continue
            if fact.measure.endswith(".chart") and fact.text not in (None, chart):
                wrong.append(f"is for chart `{fact.text}`")
            low, high = fact.low or 0.0, fact.high or float("inf")
            if fact.measure.endswith(".magnification_frac") and not low <= magnification_frac <= high:
                wrong.append(f"is valid from a magnification of {low:g} to {high:g}")
        if wrong:
            yield (
                f"The card of `{model}` is not valid for this print: it {' and '.join(wrong)}. Print with --tiled at "
                "the size it was written for, or write a card for this print."
            )
        else:
            yield f"The card of `{model}` is valid for this print."
