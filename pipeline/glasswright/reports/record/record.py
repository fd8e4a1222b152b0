"""Making a record from a ledger, and verifying a record's file."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from glasswright.errors import GlasswrightError
from glasswright.judging.gate import RELEASING, DecisionKind
from glasswright.judging.judge import JUDGE_VERSION
from glasswright.ledger.documents import find_logo
from glasswright.plugin.paper import name_drawing_tools
from glasswright.reports.record.content import Signature, write_content
from glasswright.reports.record.drawing import PAPERS, draw_record
from glasswright.reports.record.evidence import gather_evidence, name_evidence, recall_evidence
from glasswright.reports.record.field_picture import map_field
from glasswright.reports.record.fingerprint import (
    FORMAT,
    Note,
    find_note,
    find_other_format,
    make_fingerprint,
    write_note,
)
from glasswright.reports.record.plain import find_hints

if TYPE_CHECKING:
    from glasswright.ledger import Ledger
    from glasswright.reports.record.content import RecordContent
    from glasswright.reports.record.evidence import Evidence


class RecordMismatchError(GlasswrightError):
    """A file is not a record, or does not match the ledger."""

    exit_code = 21


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeRecord:
    """A record and its file."""

    content: RecordContent
    decision: DecisionKind
    """The gate's decision."""
    fingerprint: str
    data: bytes


def make_record(ledger: Ledger, ticket: str, signature: Signature, paper: str) -> MadeRecord:
    """Return the record of a ticket in its current state; a release record only if the gate decides RELEASE."""
    evidence = gather_evidence(ledger, ticket)
    manifest, judgement = name_evidence(evidence.gated)
    content = _write(ledger, evidence, signature)
    note = Note(
        ticket=ticket,
        manifest=manifest,
        judgement=judgement,
        judge_version=JUDGE_VERSION,
        head=dict(asdict(ledger.head())),
        paper=paper,
        signed_by=signature.name,
        signed_on=signature.day,
        drawn_with=name_drawing_tools(),
        fingerprint=make_fingerprint(content, manifest, judgement),
    )
    return _draw(ledger, content, note, evidence.gated.decision.kind)


def _write(ledger: Ledger, evidence: Evidence, signature: Signature) -> RecordContent:
    hints = find_hints(ledger, evidence.gated.state)
    return write_content(evidence.gated, signature, hints, map_field(evidence.gated.state, evidence.before))


def _draw(ledger: Ledger, content: RecordContent, note: Note, decision: DecisionKind) -> MadeRecord:
    logo = find_logo(ledger, content.logo) if content.logo else b""
    data = draw_record(content, paper=note.paper, note=write_note(note), fingerprint=note.fingerprint, logo=logo)
    return MadeRecord(content=content, decision=decision, fingerprint=note.fingerprint, data=data)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """A record that matches the ledger, and the changes to the ticket since."""

    record: MadeRecord
    note: Note
    since: str
    """What changed since; empty if nothing did."""


def verify_record(ledger: Ledger, data: bytes) -> Verified:
    """Make a file's record again from the ledger's state at that time, and compare every byte.

    Parameters
    ----------
    data
        The content of the file.

    Raises
    ------
    RecordMismatchError
        If the file is not a record, belongs to another ledger, or was changed; the message says which.
    """
    note = find_note(data)
    other = find_other_format(data) if note is None else ""
    if other:
        raise RecordMismatchError(
            f"this record has format {other}, and this version of the program compares format {FORMAT}: check it with "
            "the version that made it, or make it again"
        )
    if note is None or note.paper not in PAPERS:
        raise RecordMismatchError(
            "this is not a record written by this program: it was made, printed or saved by another program, or changed"
        )
    recalled = recall_evidence(ledger, note)
    if recalled is None and note.judge_version != JUDGE_VERSION:
        raise RecordMismatchError(
            f"the record of ticket `{note.ticket}` cannot be compared: it was judged by rules of version "
            f"{note.judge_version}, this program has {JUDGE_VERSION}: check it with that program, or make it again"
        )
    if recalled is None:
        raise RecordMismatchError(
            f"the ledger never contained that measurement and judgement of ticket `{note.ticket}`: "
            "the record is false, belongs to another ledger, or the ledger has lost its last commits"
        )
    record = _make_again(ledger, recalled, note)
    if record.data != data:
        what = f"the file of ticket `{note.ticket}` was changed after it was made: its bytes differ from the record"
        raise RecordMismatchError(_format(note, what))
    return Verified(record=record, note=note, since=_format_since(ledger, note, record))


def _make_again(ledger: Ledger, evidence: Evidence, note: Note) -> MadeRecord:
    signature = Signature(name=note.signed_by, day=note.signed_on)
    content = _write(ledger, evidence, signature)
    if make_fingerprint(content, note.manifest, note.judgement) != note.fingerprint:
        what = f"the fingerprint does not match the ledger's content of ticket `{note.ticket}`: it was changed"
        raise RecordMismatchError(_format(note, what))
    return _draw(ledger, content, note, evidence.gated.decision.kind)


def _format(note: Note, what: str) -> str:
    """Return the mismatch message; with other library versions it is not conclusive, which is said instead."""
    tools = name_drawing_tools()
    if note.drawn_with == tools:
        return what
    return (
        f"the record of ticket `{note.ticket}` cannot be compared: it was made with {note.drawn_with}, here are "
        f"{tools}: check it with those versions, or make it again"
    )


def _format_since(ledger: Ledger, note: Note, record: MadeRecord) -> str:
    """Return what changed in the ticket since the record was made; empty if nothing did.

    Raises
    ------
    RecordMismatchError
        For a release whose stand turned out to be out of control.
    """
    now = gather_evidence(ledger, note.ticket).gated
    if name_evidence(now) != (note.manifest, note.judgement) and not now.out_of_control:
        return f"measured or judged again since: the decision is now {now.decision}"
    reasons = "; ".join(now.decision.reasons)
    if record.decision in RELEASING and now.out_of_control:
        raise RecordMismatchError(
            f"the ledger no longer supports the release: the decision is now {now.decision}: {reasons}"
        )
    return "" if str(now.decision) == record.content.decision else f"the decision is now {now.decision}: {reasons}"
