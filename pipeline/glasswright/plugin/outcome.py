"""The outcome of one stage for one shot, setting, ticket or night."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from glasswright.plugin.artefact import Artefact, Setting
    from glasswright.plugin.stage import Scope


class Status(StrEnum):
    """How a stage ended. Every stage that was asked for has one, for every thing it was asked of."""

    DONE = "done"
    UNMEASURABLE = "unmeasurable"
    """The data's fault."""
    CRASHED = "crashed"
    """Ours; the traceback is kept."""
    SKIPPED = "skipped"
    """It lacked an input, and names it."""
    NOT_APPLICABLE = "not applicable"
    """What this stand cannot give, as its file says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """The thing a stage ran for. `ticket` is empty for the night, `shot` empty but for a shot."""

    scope: Scope
    ticket: str = ""
    setting: Setting | None = None
    shot: str = ""

    def __str__(self) -> str:
        """Return the item as a message names it: `T-0412 50 mm f/2 chart/0003.dng`."""
        parts = (self.ticket, str(self.setting) if self.setting else "", self.shot)
        return " ".join(part for part in parts if part) or "the night"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """A status, a value, a reason."""

    step: str
    """The step's name in the plan."""
    stage: str
    """The stage's id."""
    item: Item
    address: str
    """Hash of all that determined it: inputs' addresses, file hashes, settings, stage, plugin source, libraries."""
    status: Status
    reason: str = ""
    """Never empty unless DONE."""
    traceback: str = ""
    artefact: Artefact | None = None
    """The value; None unless DONE, and for bulk (which is never kept)."""
    caveats: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    content_digest: str | None = None
    """Of a shot: what its artefact said in `Artefact.name_content`."""
    seconds: float = 0.0
