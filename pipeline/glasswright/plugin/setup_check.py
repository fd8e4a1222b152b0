"""What a plugin can say of a stand and cards before anything is shot: whether they go together."""

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
    """One thing that a card says must have been measured for it to hold: `valid_for.where`."""

    model: str
    """The lens model of the card."""
    measure: str
    """`step.field`."""
    text: str | None = None
    """What a text must be."""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupFinding:
    """What does not go together, or is worth knowing."""

    message: str
    model: str = ""
    """The card's lens model; empty where it concerns the stand whatever the card."""
    blocks: bool = False
    """Whether no limit of the card can be met so."""
    not_applicable: tuple[str, ...] = ()
    """What the stand cannot give for this reason: a stage's id, or that with a field or the beginning of several
    (`camera.measure_mtf50.red`). Its stages then raise `NotApplicable`, or say so of their fields."""


SetupCheck = Callable[[Any, tuple[CardFact, ...]], Iterable[SetupFinding]]
"""Takes the plugin's section of the stand file and the facts of all cards."""


def read_setup_check(module: ModuleType) -> SetupCheck | None:
    """Read a plugin's check from its module; None if it has none.

    Raises
    ------
    PluginError
        Where it is no function.
    """
    found = getattr(module, ATTRIBUTE, None)
    if found is not None and not callable(found):
        raise PluginError(f"{ATTRIBUTE} is {found!r}: make it a function of the stand section and the cards' facts")
    return found
