"""Gathers what a record rests on from the ledger, each row and file checked against its hash."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.config import check, scan_bytes
from glasswright.errors import ConfigError, GlasswrightError
from glasswright.judging.card import Card
from glasswright.judging.gate import open_gate
from glasswright.judging.judge import JUDGE_VERSION
from glasswright.ledger.documents import find_document
from glasswright.ledger.judgements import earlier_judgement
from glasswright.ledger.reading import earlier_states
from glasswright.record.content import Evidence
from glasswright.watch.gatekeeper import Gatekeeper

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright.judging.verdict import Judgement
    from glasswright.ledger import Document, Ledger, TicketState
    from glasswright.record.fingerprint import Note


class NoSuchTicketError(GlasswrightError):
    """The ledger does not know the ticket."""

    exit_code = 2


def gather_evidence(ledger: Ledger, ticket: str) -> Evidence:
    """Give what the ledger says of a ticket now.

    Raises
    ------
    NoSuchTicketError
        If it knows none of that number.
    LedgerDamagedError
        If anything that the decision rests on is not what it was.
    """
    ledger.check_artefacts(ticket)
    state = next(iter(ledger.latest_tickets([ticket])), None)
    if state is None:
        raise NoSuchTicketError(f"the ledger knows no ticket `{ticket}`: correct the number, or measure it")
    judgement = ledger.latest_judgement(ticket)
    return _weigh(ledger, state, judgement, Gatekeeper(ledger).find_doubts(state, judgement))


def recall_evidence(ledger: Ledger, note: Note) -> Iterator[Evidence]:
    """Give what the ledger said of a ticket at an earlier time, as often as it said so; nothing if it never did.

    Rules of judging that are newer than the record do not make what it says untrue, and doubts of the stand are
    those that were known when it was made.

    Parameters
    ----------
    note
        Names what was measured and judged.
    """
    found = earlier_judgement(ledger.database, note.ticket, note.judgement) if note.judgement else None
    if note.judgement and found is None:
        return
    if found is not None and found.judge_version == note.judge_version:
        found = replace(found, judge_version=JUDGE_VERSION)
    for state in earlier_states(ledger.database, note.ticket, note.manifest):
        yield _weigh(ledger, state, found, note.doubts)


def _weigh(ledger: Ledger, state: TicketState, judgement: Judgement | None, doubts: tuple[str, ...]) -> Evidence:
    record = state.record
    wanted = {record.plan_sha256, record.stand_sha256}
    wanted |= {judgement.card, judgement.stand} if judgement else set()
    found = {sha256: find_document(ledger, sha256) for sha256 in sorted(wanted)}
    documents = {sha256: document for sha256, document in found.items() if document is not None}
    return Evidence(
        state=state,
        judgement=judgement,
        decision=open_gate(record.ticket.number, state, judgement, doubts),
        doubts=doubts,
        card=_read_card(documents.get(judgement.card)) if judgement else None,
        documents=documents,
    )


def _read_card(document: Document | None) -> Card | None:
    """Read a kept card; None if the ledger keeps none, or it is of a form that this program no longer knows."""
    if document is None:
        return None
    try:
        card, problems = check(scan_bytes(Path(f"{document.name} (kept)"), document.text.encode()), Card)
    except ConfigError:
        return None
    return None if problems else card
