"""What the cards of a folder say must have been measured for them to hold."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.cards import CardFile, load_cards
from glasswright.plugin.setup_check import CardFact

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

__all__ = ["CardFact", "list_facts"]


def list_facts(folder: Path) -> tuple[CardFact, ...]:
    """Read the facts of every card of a folder.

    Raises
    ------
    ConfigError
        With every problem of every card.
    """
    return facts_of(load_cards(folder).values())


def facts_of(cards: Iterable[CardFile]) -> tuple[CardFact, ...]:
    """Return the facts of cards that were read."""
    return tuple(
        CardFact(model=file.card.card, measure=fact.measure, text=fact.text, low=fact.min, high=fact.max)
        for file in cards
        for fact in file.card.valid_for.where
    )
