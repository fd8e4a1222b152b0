"""The outcome of one stage for one shot, setting, ticket or night."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from glasswright.plugin.artefact import Artefact, Setting
    from glasswright.plugin.stage import Scope


class Status(StrEnum):
    """How a stage ended. Every planned stage has one status for every item it should run for."""

    DONE = "done"
    UNMEASURABLE = "unmeasurable"
    """The data were too poor."""
    CRASHED = "crashed"
    """A bug in the program; the traceback is kept."""
    SKIPPED = "skipped"
    """An input was missing; the reason names it."""
    NOT_APPLICABLE = "not applicable"
    """Not available on this stand according to its file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What a stage ran for. `ticket` is empty for the night; `shot` is empty except for a shot."""

    scope: Scope
    ticket: str = ""
    setting: Setting | None = None
    shot: str = ""

    def __str__(self) -> str:
        """Return the item as text: `T-0412 50 mm f/2 chart/0003.dng`."""
        parts = (self.ticket, str(self.setting) if self.setting else "", self.shot)
        return " ".join(part for part in parts if part) or "the night"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Status, value and reason of one stage for one item."""

    step: str
    """The step's name in the plan."""
    stage: str
    """The stage's id."""
    item: Item
    address: str
    """Hash of everything that determined it: inputs' addresses, file hashes, settings, stage, plugin source,
    libraries."""
    status: Status
    reason: str = ""
    """Never empty unless DONE."""
    traceback: str = ""
    artefact: Artefact | None = None
    """The value; None unless DONE, and None for bulk, which is never kept."""
    caveats: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    content_digest: str | None = None
    """For a shot: the result of `Artefact.name_content`."""
    seconds: float = 0.0
