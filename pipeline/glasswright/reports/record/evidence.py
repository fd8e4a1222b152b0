"""The evidence of a record: the gate's decision now, or at the time when a record was made."""

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
    """The ledger does not have the ticket."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Evidence of a record: the gate's decision, and the earlier visit."""

    gated: Gated
    before: TicketState | None
    """The visit of the same lens before this one, with its measurements; None if there is none."""


def gather_evidence(ledger: Ledger, ticket: str) -> Evidence:
    """Return the gate's current decision on a ticket, with its evidence and the earlier visit.

    Raises
    ------
    NoSuchTicketError
        If the ledger does not have the ticket.
    LedgerDamagedError
        If anything that the decision depends on is damaged.
    """
    ledger.check_artefacts(ticket)
    gated = Gatekeeper(ledger).gate(ticket, measures=None)
    if gated is None:
        raise NoSuchTicketError(f"the ledger has no ticket `{ticket}`: correct the number, or measure it")
    return Evidence(gated=gated, before=find_earlier_visit(ledger, gated.state))


def recall_evidence(ledger: Ledger, note: Note) -> Evidence | None:
    """Return the gate's decision on a ticket when a record was made; None if the ledger did not have it then.

    If the record was made by older judging rules, the kept judgement counts.

    Parameters
    ----------
    note
        The record's note, with the ledger's head and the hashes of measurements and judgement.
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
    """Return the hashes of the measurements and of the judgement (empty if there is none)."""
    return gated.state.content, judgement_hash(gated.judgement) if gated.judgement is not None else ""
