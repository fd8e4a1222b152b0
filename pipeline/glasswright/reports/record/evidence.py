"""What a record rests on: the gate's decision now, or as it was when a record was made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import GlasswrightError
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger.head import Head
from glasswright.ledger.judgements import judgement_hash
from glasswright.reports.visits import find_earlier_visit

if TYPE_CHECKING:
    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger import Ledger, TicketState
    from glasswright.reports.record.fingerprint import Note


class NoSuchTicketError(GlasswrightError):
    """The ledger does not know the ticket."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a record rests on."""

    gated: Gated
    before: TicketState | None
    """The visit of the same lens before this one, with its measurements; None where the ledger has none."""


def gather_evidence(ledger: Ledger, ticket: str) -> Evidence:
    """Return what the gate says of a ticket now, what of, and the visit before.

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
    return Evidence(gated=gated, before=find_earlier_visit(ledger, gated.state))


def recall_evidence(ledger: Ledger, note: Note) -> Evidence | None:
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
        before = find_earlier_visit(ledger, gated.state) if gated is not None else None
    if gated is None or name_evidence(gated) != (note.manifest, note.judgement):
        return None
    return Evidence(gated=gated, before=before)


def name_evidence(gated: Gated) -> tuple[str, str]:
    """Name what was measured and what was judged of it; the second is empty where nothing was."""
    return gated.state.content, judgement_hash(gated.judgement) if gated.judgement is not None else ""
