"""What goes into the ledger and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from glasswright.artefact import Setting, Ticket
from glasswright.outcome import Status
from glasswright.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.measurements import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A plan, a card or a stand file as it was used."""

    kind: str
    """`plan`, `card` or `stand`."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotRecord:
    """One raw file of a ticket."""

    name: str
    role: str
    sha256: str


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
    nights: tuple[str, ...] = ()
    """ISO dates of the nights on which it was shot, in order, as far as the files tell."""


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
    """Lenses that the same ticket number stood for earlier."""
    gone_shots: tuple[str, ...] = ()
    """Shots that an earlier run measured and that are no longer there: shot again, or left out."""
    refusal: str = ""
    """Why a later run could not measure the ticket again; empty if none failed to, or a still later one did."""
