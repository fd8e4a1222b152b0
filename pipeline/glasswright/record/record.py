"""Makes a record from a ledger, and checks whether a file is one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import GlasswrightError
from glasswright.judging.judge import JUDGE_VERSION
from glasswright.ledger.judgements import judgement_hash
from glasswright.paper import name_drawing_tools
from glasswright.record.content import Signature, write_content
from glasswright.record.drawing import PAPERS, draw_record
from glasswright.record.evidence import gather_evidence, recall_evidence
from glasswright.record.fingerprint import Note, find_note, make_fingerprint, write_note

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger import Ledger
    from glasswright.record.content import Evidence, RecordContent


class RecordMismatchError(GlasswrightError):
    """A file is no record, or not one that the ledger bears out."""

    exit_code = 21


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeRecord:
    """A record and its file."""

    content: RecordContent
    is_release: bool
    fingerprint: str
    data: bytes


def make_record(ledger: Ledger, ticket: str, signature: Signature, paper: str) -> MadeRecord:
    """Make the record of a ticket as the ledger knows it now: a release record only if the gate says RELEASE."""
    evidence = gather_evidence(ledger, ticket)
    judgement = judgement_hash(evidence.judgement) if evidence.judgement else ""
    content = write_content(evidence, signature)
    note = Note(
        ticket=ticket,
        manifest=evidence.state.content,
        judgement=judgement,
        judge_version=JUDGE_VERSION,
        doubts=evidence.doubts,
        paper=paper,
        signed_by=signature.name,
        signed_on=signature.day,
        drawn_with=name_drawing_tools(),
        fingerprint=make_fingerprint(content, evidence.state.content, judgement),
    )
    return _draw(content, note, evidence.is_release)


def _draw(content: RecordContent, note: Note, is_release: bool) -> MadeRecord:
    data = draw_record(content, paper=note.paper, note=write_note(note), fingerprint=note.fingerprint)
    return MadeRecord(content=content, is_release=is_release, fingerprint=note.fingerprint, data=data)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """A record that the ledger bears out, and what has become of the ticket since."""

    record: MadeRecord
    note: Note
    since: str
    """What the ledger says now, if that is something else; empty if it says the same."""


def verify_record(ledger: Ledger, data: bytes) -> Verified:
    """Make a file's record again from what the ledger said then, and compare every byte.

    Parameters
    ----------
    data
        The whole file.

    Raises
    ------
    RecordMismatchError
        Saying what does not match: no record, another ledger's, other facts, or a changed file.
    """
    note = find_note(data)
    if note is None or note.paper not in PAPERS:
        raise RecordMismatchError(
            "this is no record as the program wrote it: it was made, printed or saved by another program, or changed"
        )
    recalled = tuple(recall_evidence(ledger, note))
    if not recalled:
        raise RecordMismatchError(
            f"the ledger never held that measurement and judgement of ticket `{note.ticket}`: "
            "the record is false, or belongs to another ledger"
        )
    record = _find_same(recalled, note)
    if record.data != data:
        what = f"the file of ticket `{note.ticket}` was changed after it was made: its pages are not as they were drawn"
        raise RecordMismatchError(_say(note, what))
    return Verified(record=record, note=note, since=_say_since(ledger, note, record))


def _find_same(recalled: Sequence[Evidence], note: Note) -> MadeRecord:
    signature = Signature(name=note.signed_by, day=note.signed_on)
    for evidence in recalled:
        content = write_content(evidence, signature)
        if make_fingerprint(content, note.manifest, note.judgement) == note.fingerprint:
            return _draw(content, note, evidence.is_release)
    raise RecordMismatchError(
        _say(note, f"the fingerprint is not that of what the ledger says of ticket `{note.ticket}`: it was changed")
    )


def _say(note: Note, what: str) -> str:
    """Say what does not match; that proves nothing where other versions word or draw a record in another way."""
    tools = name_drawing_tools()
    if note.drawn_with == tools:
        return what
    return (
        f"the record of ticket `{note.ticket}` cannot be compared: it was made with {note.drawn_with}, and here are "
        f"{tools}: check it with those versions, or make it again"
    )


def _say_since(ledger: Ledger, note: Note, record: MadeRecord) -> str:
    """Say what has become of the ticket since.

    Raises
    ------
    RecordMismatchError
        For a release of a measurement that the reference lens has cast doubt upon.
    """
    now = gather_evidence(ledger, note.ticket)
    judgement = judgement_hash(now.judgement) if now.judgement else ""
    if (now.state.content, judgement) != (note.manifest, note.judgement):
        return f"measured or judged again since: the ledger now says {now.decision}"
    reasons = "; ".join(now.decision.reasons)
    if record.is_release and now.doubts:
        raise RecordMismatchError(f"the ledger no longer bears out the release: it now says {now.decision}: {reasons}")
    return "" if str(now.decision) == record.content.word else f"the ledger now says {now.decision}: {reasons}"
