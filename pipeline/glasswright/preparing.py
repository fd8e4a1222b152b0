"""What plugin commands may use to prepare a shop's files: EXIF, checksums, a card's first plan."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from glasswright.config import load_plan
from glasswright.config.schema.names import problem_of_person
from glasswright.config.schema.plugins import load_plugins
from glasswright.errors import GlasswrightError
from glasswright.intake.checksums import hash_file
from glasswright.intake.exif import read_facts
from glasswright.judging.adopting import adopt_plan, write_adoption
from glasswright.judging.cards import load_cards

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["PreparationError", "adopt_first_plan", "hash_file", "load_plugins", "problem_of_person", "read_facts"]


class PreparationError(GlasswrightError):
    """A shop's files cannot be prepared."""

    exit_code = 2


def adopt_first_plan(cards: Path, model: str, plan: Path, *, by: str, why: str) -> None:
    """Write into a card the plan that its limits are valid for.

    Parameters
    ----------
    cards
        The folder that holds the card.
    model
        The card's lens model.

    Raises
    ------
    GlasswrightError
        If the card or the plan has mistakes, or they do not match.
    """
    read = load_plan(plan, load_plugins())
    day = datetime.now().astimezone().date().isoformat()
    adoption = adopt_plan(load_cards(cards)[model], read, by=by, at=day, why=why)
    if adoption is not None:
        write_adoption(adoption)
