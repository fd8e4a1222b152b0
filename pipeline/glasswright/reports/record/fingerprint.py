"""The fingerprint of a record (one hash of its texts and evidence), and the note in its file."""

from __future__ import annotations

import base64
import binascii
import json
import re
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final

from glasswright.ledger.encoding import digest
from glasswright.ledger.head import Head

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.reports.record.content import RecordContent

FORMAT: Final = 2
"""Raised when the same ledger gives another text or layout."""
MARK: Final = "glasswright-record"
NOTE: Final = re.compile(rf"{MARK}-{FORMAT}:([A-Za-z0-9_-]+=*)".encode())
ANY_FORMAT: Final = re.compile(rf"{MARK}-([0-9]{{1,6}}):".encode())


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """How a record was made, stored in its file so that it can be made again and compared."""

    ticket: str
    manifest: str
    judgement: str
    judge_version: int
    """Version of the judging rules."""
    head: Mapping[str, Any]
    """The fields of the ledger's `Head` when the record was made; later additions do not affect the record."""
    paper: str
    signed_by: str
    signed_on: str
    drawn_with: str
    """Versions of the drawing libraries, which affect the layout."""
    fingerprint: str


def make_fingerprint(content: RecordContent, manifest: str, judgement: str) -> str:
    """Return the SHA-256 of every text of a record and of the hashes of measurements and judgement."""
    return digest({"format": FORMAT, "content": asdict(content), "manifest": manifest, "judgement": judgement})


def write_note(note: Note) -> str:
    """Return a note encoded in ASCII without spaces, for the file's properties."""
    data = json.dumps(asdict(note), sort_keys=True).encode()
    return f"{MARK}-{FORMAT}:{base64.urlsafe_b64encode(data).decode()}"


def find_other_format(data: bytes) -> str:
    """Return the format of a record of another version of this program; empty for any other file."""
    found = ANY_FORMAT.search(data)
    return found[1].decode() if found and found[1] != str(FORMAT).encode() else ""


def find_note(data: bytes) -> Note | None:
    """Return the note in a file; None if there is none, more than one, or a malformed one."""
    found = NOTE.findall(data)
    if len(found) != 1:
        return None
    try:
        fields: dict[str, Any] = json.loads(base64.urlsafe_b64decode(found[0]))
        note = Note(**fields)
    except (binascii.Error, ValueError, TypeError, LookupError):
        return None
    kinds = dict.fromkeys(Note.__dataclass_fields__, str) | {"judge_version": int, "head": dict}
    well_formed = all(type(getattr(note, name)) is kind for name, kind in kinds.items())
    head = dict.fromkeys(Head.__dataclass_fields__, str) | {"commits": int}
    return note if well_formed and {name: type(value) for name, value in note.head.items()} == head else None
