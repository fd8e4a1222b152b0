"""What names a record: one hash over all that it says and all that it rests on, and the note that a file carries."""

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

FORMAT: Final = 1
MARK: Final = "glasswright-record"
NOTE: Final = re.compile(rf"{MARK}-{FORMAT}:([A-Za-z0-9_-]+=*)".encode())


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """What a record's file says of how it was made, so that it can be made again and compared."""

    ticket: str
    manifest: str
    judgement: str
    judge_version: int
    """Of the rules by which the program judged."""
    head: Mapping[str, Any]
    """The ledger's head: what was added later is no part of what the record says. The fields of a `Head`."""
    paper: str
    signed_by: str
    signed_on: str
    drawn_with: str
    """Versions of what drew it: another version may place a letter elsewhere."""
    fingerprint: str


def make_fingerprint(content: RecordContent, manifest: str, judgement: str) -> str:
    """Return the SHA-256 over every text of a record, what was measured and what was judged."""
    return digest({"format": FORMAT, "content": asdict(content), "manifest": manifest, "judgement": judgement})


def write_note(note: Note) -> str:
    """Return a note as one word of plain letters, which stands in the file's properties."""
    data = json.dumps(asdict(note), sort_keys=True).encode()
    return f"{MARK}-{FORMAT}:{base64.urlsafe_b64encode(data).decode()}"


def find_note(data: bytes) -> Note | None:
    """Find the note in a file; None if there is none, or more than one, or it is no such note."""
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
