"""The conditions (`valid_for.where`) of the cards in a folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.judging.cards import CardFile, load_cards
from glasswright.plugin.setup_check import CardFact

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

__all__ = ["CardFact", "list_facts"]


def list_facts(folder: Path) -> tuple[CardFact, ...]:
    """Return the conditions of every card in a folder.

    Raises
    ------
    ConfigError
        With every problem of every card.
    """
    return facts_of(load_cards(folder).values())


def facts_of(cards: Iterable[CardFile]) -> tuple[CardFact, ...]:
    """Return the conditions of cards."""
    return tuple(
        CardFact(model=file.card.card, measure=fact.measure, text=fact.text, low=fact.min, high=fact.max)
        for file in cards
        for fact in file.card.valid_for.where
    )
