"""The stage mark, and the description of a stage that is read from its signature."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, Final, TypeVar

if TYPE_CHECKING:
    from pydantic import BaseModel

    from glasswright.artefact import Artefact

MARK: Final = "__glasswright_stage__"

F = TypeVar("F", bound=Callable[..., Any])


def stage(function: F) -> F:
    """Mark a function as a stage. It sets one attribute and returns the same function."""
    setattr(function, MARK, True)
    return function


class Scope(IntEnum):
    """What a stage runs for. A wider scope's value is handed to every narrower one."""

    SHOT = 0
    SETTING = 1
    TICKET = 2
    NIGHT = 3

    def __str__(self) -> str:
        """Give the word used in plans."""
        return self.name.lower()


@dataclass(frozen=True, slots=True, kw_only=True)
class InputDescription:
    """One parameter before the `*`: `T`, `T | None`, `tuple[T, ...]` or `tuple[T, ...] | None`."""

    name: str
    artefact: type[Artefact]
    gathers: bool
    optional: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldDescription:
    """One measured field of a stage's result."""

    path: str
    """Dotted where the result nests: `green.centre.sagittal_cy_per_px`."""
    unit: str
    """As printed; empty for a text field."""
    kind: type[float] | type[int] | type[bool] | type[str]
    has_uncertainty: bool
    summary: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageDescription:
    """All that a plan, a card or a reader needs to know of a stage."""

    id: str
    """`plugin.function`."""
    function: Callable[..., Artefact]
    inputs: tuple[InputDescription, ...]
    settings: type[BaseModel]
    """A strict pydantic model made from the parameters after the `*`."""
    returns: type[Artefact]
    fields: tuple[FieldDescription, ...]
    summary: str
    """First line of the docstring."""
