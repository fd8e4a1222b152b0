"""A plugin's check, before anything is shot, that the stand file matches the cards."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from glasswright.errors import PluginError

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["CardFact", "SetupFinding"]

ATTRIBUTE: Final = "SETUP_CHECK"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardFact:
    """One condition under which a card is valid: an entry of `valid_for.where`."""

    model: str
    """The lens model of the card."""
    measure: str
    """`step.field`."""
    text: str | None = None
    """The required text of a text field."""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupFinding:
    """A mismatch, or something worth knowing."""

    message: str
    model: str = ""
    """The card's lens model; empty if the finding concerns the stand alone."""
    blocks: bool = False
    """Whether it keeps every limit of the card from being met."""
    not_applicable: tuple[str, ...] = ()
    """Stages and fields not available on this stand: a stage's id, or a stage's id with the beginning of field paths
    (`camera.measure_mtf50.red`). The stage then raises `NotApplicable`, or names the fields."""


SetupCheck = Callable[[Any, tuple[CardFact, ...]], Iterable[SetupFinding]]
"""Function of the plugin's section of the stand file and the facts of all cards."""


def read_setup_check(module: ModuleType) -> SetupCheck | None:
    """Return the check that a plugin's module declares; None if it declares none.

    Raises
    ------
    PluginError
        If it is not a function.
    """
    found = getattr(module, ATTRIBUTE, None)
    if found is not None and not callable(found):
        raise PluginError(f"{ATTRIBUTE} is {found!r}: make it a function of the stand section and the cards' facts")
    return found
