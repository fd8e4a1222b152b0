"""The records that are written to and read from the ledger."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from glasswright.plugin.artefact import HandAnswer, Setting, Ticket
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.plugin.measurements import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A plan, a card or a stand file as it was used."""

    kind: str
    """`plan`, `method`, `card`, `stand` or `logo`; a method is a plan written out with every setting of its steps, as
    JSON, and a logo a file in base 64."""
    name: str
    text: str
    sha256: str
    """Of the text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One start of a command that writes: with what, where, when."""

    command: str
    machine: str
    started_at: str
    """ISO 8601, with the offset from UTC."""
    versions: Mapping[str, str]
    documents: tuple[Document, ...] = ()


class ShotUse(StrEnum):
    """What became of a shot."""

    ABSENT = "absent"
    """Listed among the checksums, and its file is not there."""
    REJECTED = "rejected"
    """Its file is not the one listed among the checksums."""
    UNREAD = "unread"
    """No stage could read it, or none was asked to."""
    READ = "read"
    """Read, and no stage made a number of it alone."""
    MEASURED = "measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRecord:
    """One raw file of a ticket."""

    name: str
    role: str
    sha256: str
    use: ShotUse = ShotUse.UNREAD
    content_digest: str = ""
    """Names what it holds; empty where the stage that read it does not say, or found nothing to know it by."""
    captured_at: str = ""
    """ISO 8601, by the body's clock; empty where the file tells none."""
    setting: Setting | None = None
    """At which it was taken; None where nobody says, or its role has none."""

    @property
    def captured(self) -> datetime | None:
        """When it was taken, by the body's clock."""
        return datetime.fromisoformat(self.captured_at) if self.captured_at else None

    def is_same(self, other: ShotRecord) -> bool:
        """Whether two shots are one: the same file, or another file with the same content."""
        if self.sha256 and self.sha256 == other.sha256:
            return True
        return bool(self.content_digest) and self.content_digest == other.content_digest


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A shot that the ticket asks not to be measured."""

    file: str
    """Name of the shot."""
    by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaces:
    """That a ticket stands in place of another, which had the wrong number."""

    ticket: str
    by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRemarks:
    """What the ticket says of its shots and whose they are."""

    set_aside: tuple[SetAside, ...] = ()
    replaces: Replaces | None = None
    shared_roles: tuple[str, ...] = ()
    """Roles whose shots other tickets of the night have too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketRecord:
    """All that describes a ticket after a run. A ticket whose number is empty stands for the night itself."""

    ticket: Ticket
    folder: str = field(metadata={"address": False})
    """Where the ticket lay; no part of what was measured."""
    plan_sha256: str
    stand: str
    """Name of the stand."""
    stand_sha256: str
    findings: tuple[str, ...] = ()
    settings: tuple[Setting, ...] = ()
    """Planned or shot."""
    shots: tuple[ShotRecord, ...] = ()
    manifest: tuple[str, ...] = ()
    """Addresses of every outcome that now describes the ticket."""
    method_sha256: str = ""
    """Of the kept document that says how each number was made; empty for none."""
    nights: tuple[str, ...] = ()
    """ISO dates of the nights on which it was shot, in order, as far as the files tell."""
    remarks: ShotRemarks = field(default_factory=ShotRemarks)
    lens_serials: tuple[int, int] = (0, 0)
    """How many of the shots taken through the lens carry its serial number, and how many such shots there are."""

    @property
    def visit(self) -> datetime | None:
        """When the ticket was shot, by the body's clock: the median of its shots; None where no file tells."""
        times = sorted(shot.captured for shot in self.shots if shot.captured is not None)
        return times[len(times) // 2] if times else None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptOutcome:
    """One outcome of a ticket, with those of its measurements that were asked for."""

    step: str
    scope: Scope
    setting: Setting | None
    shot: str
    status: Status
    reason: str
    caveats: tuple[str, ...]
    measured: Mapping[str, Measured]
    """Path of the field, without the step -> what was measured."""
    address: str = ""
    has_artefact: bool = False
    """Whether `Ledger.load_artefact` can give its value."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Twin:
    """A shot of a ticket whose content is that of another shot."""

    shot: str
    ticket: str
    """Where the other one is; it may be the same ticket."""
    other_shot: str
    shared: bool = False
    """Whether one of the tickets declares the role shared, and both were shot on one night."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketState:
    """What the ledger says of a ticket now."""

    record: TicketRecord
    """Its `manifest` is empty: the outcomes are here."""
    content: str
    """Hash that names what was measured."""
    measured_at: str
    """When the run that wrote it started."""
    outcomes: tuple[KeptOutcome, ...]
    other_lenses: tuple[str, ...] = ()
    """Lenses that the ticket stood for earlier, under this number or one in whose place it stands."""
    gone_shots: tuple[str, ...] = ()
    """Shots that an earlier run read, that are no longer there, and that the ticket does not set aside."""
    other_phases: tuple[str, ...] = ()
    """Phases of the visit in which some of its shots were measured before, under the same ticket number."""
    twins: tuple[Twin, ...] = ()
    """Its shots that are in another place too."""
    replaced_by: tuple[Replaces, ...] = ()
    """Tickets that have shots of this one and say that they stand in its place; `ticket` is theirs."""
    earlier_answers: tuple[HandAnswer, ...] = ()
    """To hand checks, as an earlier run found them and they no longer are; the first one first."""
    method: str = ""
    """How its numbers were made: `MeasuredMethod` as JSON; empty where the ledger does not say."""
    program: str = ""
    """Version of the program that measured; empty where the ledger does not say."""
    pending: str = ""
    """Why what was measured does not count now: a later run began to measure the ticket again, refused it, or was
    stopped before it; empty if the last attempt ended."""
    came_back: str = ""
    """That its lens came back after these shots were made; empty if it did not, or that mark was withdrawn."""
    withdrawn_returns: tuple[str, ...] = ()
    """Marks that its lens came back which were taken back: when, and why."""
