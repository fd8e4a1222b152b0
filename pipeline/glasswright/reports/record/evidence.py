"""What a record rests on: the gate's decision now, or as it was when a record was made."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.errors import GlasswrightError
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger.head import Head
from glasswright.ledger.judgements import judgement_hash

if TYPE_CHECKING:
    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger import Ledger
    from glasswright.reports.record.fingerprint import Note


class NoSuchTicketError(GlasswrightError):
    """The ledger does not know the ticket."""

    exit_code = 2


def gather_evidence(ledger: Ledger, ticket: str) -> Gated:
    """Return what the gate says of a ticket now, and what of.

    Raises
    ------
    NoSuchTicketError
        If the ledger knows none of that number.
    LedgerDamagedError
        If anything that the decision rests on is not what it was.
    """
    ledger.check_artefacts(ticket)
    gated = Gatekeeper(ledger).gate(ticket, measures=None)
    if gated is None:
        raise NoSuchTicketError(f"the ledger knows no ticket `{ticket}`: correct the number, or measure it")
    return gated


def recall_evidence(ledger: Ledger, note: Note) -> Gated | None:
    """Return what the gate said of a ticket when a record was made; None if the ledger did not hold it then.

    Rules of judging that are newer than the record do not make what it says untrue: the judgement that was kept counts
    then.

    Parameters
    ----------
    note
        Names the ledger's head at that moment, and what was measured and judged.
    """
    head = Head(**note.head)
    if not ledger.has_been_at(head):
        return None
    with ledger.as_of(head):
        gated = Gatekeeper(ledger, rules=note.judge_version).gate(note.ticket, measures=None)
    if gated is None or name_evidence(gated) != (note.manifest, note.judgement):
        return None
    return gated


def name_evidence(gated: Gated) -> tuple[str, str]:
    """Name what was measured and what was judged of it; the second is empty where nothing was."""
    return gated.state.content, judgement_hash(gated.judgement) if gated.judgement is not None else ""
