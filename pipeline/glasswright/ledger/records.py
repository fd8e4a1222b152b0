"""Dataclasses of the ledger's records."""

from __future__ import annotations

import platform
import sys
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from importlib.metadata import version
from typing import TYPE_CHECKING

from glasswright.plain_text import escape
from glasswright.plugin.artefact import HandAnswer, Setting, Ticket
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.plugin.measurements import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A plan, method, card or stand file as it was used."""

    kind: str
    """`plan`, `method`, `card`, `stand` or `logo`; a method is a plan with every setting of its steps filled in, as
    JSON; a logo is a file in base 64."""
    name: str
    text: str
    sha256: str
    """SHA-256 of the text."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run of a command that writes to the ledger: with what, where, when."""

    command: str
    machine: str
    started_at: str
    """ISO 8601, with the offset from UTC."""
    versions: Mapping[str, str]
    documents: tuple[Document, ...] = ()


def describe_run(documents: tuple[Document, ...] = (), libraries: Mapping[str, str] | None = None) -> RunRecord:
    """Return the record of this process: its command, machine, time and versions, those of `libraries` as well."""
    own = {"glasswright": version("glasswright"), "python": platform.python_version()}
    return RunRecord(
        command=escape(" ".join(sys.argv)),
        machine=platform.node(),
        started_at=datetime.now().astimezone().isoformat(timespec="seconds"),
        versions=own | dict(libraries or {}),
        documents=documents,
    )


class ShotUse(StrEnum):
    """How a shot was used."""

    ABSENT = "absent"
    """Listed among the checksums, but its file is missing."""
    REJECTED = "rejected"
    """Its file differs from the listed checksum."""
    UNREAD = "unread"
    """No stage read it successfully."""
    READ = "read"
    """Read, but no stage measured this shot by itself."""
    MEASURED = "measured"


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRecord:
    """One raw file of a ticket."""

    name: str
    role: str
    sha256: str
    use: ShotUse = ShotUse.UNREAD
    content_digest: str = ""
    """Digest of its content; empty if the stage that read it gives none, or if its content cannot identify it."""
    captured_at: str = ""
    """ISO 8601, by the body's clock; empty if unknown."""
    setting: Setting | None = None
    """Setting of the shot; None if unknown, or if its role has none."""

    @property
    def captured(self) -> datetime | None:
        """Time of the shot, by the body's clock."""
        return datetime.fromisoformat(self.captured_at) if self.captured_at else None

    def is_same(self, other: ShotRecord) -> bool:
        """Return whether two shots are the same: the same file, or another file with the same content."""
        if self.sha256 and self.sha256 == other.sha256:
            return True
        return bool(self.content_digest) and self.content_digest == other.content_digest


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A shot that the ticket excludes from measurement."""

    file: str
    """Name of the shot, `role/file name`."""
    by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Replaces:
    """The ticket with the wrong number that this one replaces."""

    ticket: str
    by: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRemarks:
    """A ticket's remarks on its shots and their ownership."""

    set_aside: tuple[SetAside, ...] = ()
    replaces: Replaces | None = None
    shared_roles: tuple[str, ...] = ()
    """Roles whose shots are shared with other tickets of the night."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketRecord:
    """The description of a ticket after a run; the record with an empty ticket number is that of the night."""

    ticket: Ticket
    folder: str = field(metadata={"address": False})
    """The ticket's folder; not part of the measurements."""
    plan_sha256: str
    stand: str
    """Name of the stand."""
    stand_sha256: str
    findings: tuple[str, ...] = ()
    settings: tuple[Setting, ...] = ()
    """All settings that were planned or shot."""
    shots: tuple[ShotRecord, ...] = ()
    manifest: tuple[str, ...] = ()
    """Addresses of all current outcomes of the ticket."""
    method_sha256: str = ""
    """SHA-256 of the kept method; empty for none."""
    nights: tuple[str, ...] = ()
    """ISO dates of the nights on which it was shot, sorted, as far as known from EXIF."""
    remarks: ShotRemarks = field(default_factory=ShotRemarks)
    lens_serials: tuple[int, int] = (0, 0)
    """Number of shots through the lens whose EXIF has its serial number, and number of all shots through the lens."""
    body_serials: tuple[str, ...] = ()
    """Serial numbers of the body, from EXIF and from `ticket.yaml`, sorted; empty if neither has one."""

    @property
    def visit(self) -> datetime | None:
        """Time of the visit by the body's clock: the median of its shots; None if unknown."""
        times = sorted(shot.captured for shot in self.shots if shot.captured is not None)
        return times[len(times) // 2] if times else None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptOutcome:
    """One outcome of a ticket, with the requested measurements."""

    step: str
    scope: Scope
    setting: Setting | None
    shot: str
    status: Status
    reason: str
    caveats: tuple[str, ...]
    measured: Mapping[str, Measured]
    """Path of the field, without the step -> measurement."""
    address: str = ""
    has_artefact: bool = False
    """Whether `Ledger.load_artefact` can load its value."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Twin:
    """A shot of a ticket with the same content as another shot."""

    shot: str
    ticket: str
    """Ticket of the other shot; it may be the same one."""
    other_shot: str
    shared: bool = False
    """Whether one of the tickets declares the role shared, and both were shot within 24 hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketState:
    """The current state of a ticket in the ledger."""

    record: TicketRecord
    """Its `manifest` is empty: the outcomes are here."""
    content: str
    """Hash of the measurements."""
    measured_at: str
    """Start time of the run that wrote it."""
    outcomes: tuple[KeptOutcome, ...]
    other_lenses: tuple[str, ...] = ()
    """Other lenses for which this ticket number, or one that it replaces, was used before."""
    gone_shots: tuple[str, ...] = ()
    """Shots that an earlier run read, that are missing now, and that the ticket does not set aside."""
    other_phases: tuple[str, ...] = ()
    """Other phases in which some of its shots were measured before under the same ticket number."""
    twins: tuple[Twin, ...] = ()
    """Its shots that also exist elsewhere."""
    replaced_by: tuple[Replaces, ...] = ()
    """Tickets that have shots of this one and declare that they replace it; `ticket` is their number."""
    earlier_answers: tuple[HandAnswer, ...] = ()
    """Answers to hand checks that have changed since an earlier run, oldest first."""
    method: str = ""
    """`MeasuredMethod` as JSON; empty if the ledger has none."""
    program: str = ""
    """Version of the program that measured; empty if unknown."""
    pending: str = ""
    """Why the measurements do not count now: a later run began to measure the ticket again, refused it, or was stopped
    before it; empty if the last attempt ended."""
    came_back: str = ""
    """Message that its lens came back after these shots; empty if it did not, or if the mark was withdrawn."""
    withdrawn_returns: tuple[str, ...] = ()
    """Withdrawn marks that its lens came back: when, and why."""
