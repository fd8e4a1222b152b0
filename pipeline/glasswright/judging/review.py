"""The basis of a person's decision on a ticket in review, and why it becomes void."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.ledger.decisions import ReviewBasis
from glasswright.ledger.judgements import judgement_hash

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.decisions import PersonsDecision
    from glasswright.ledger.records import TicketState
    from glasswright.ledger.verdict import Judgement


def basis_of(state: TicketState, judgement: Judgement, reasons: Sequence[str]) -> ReviewBasis:
    """Return the current basis of a decision on a ticket.

    Parameters
    ----------
    reasons
        All reasons for the review.
    """
    return ReviewBasis(
        manifest=state.content,
        judgement=judgement_hash(judgement),
        plan=state.record.plan_sha256,
        card=judgement.card,
        stand=judgement.stand,
        reasons=tuple(reasons),
    )


def find_why_void(then: ReviewBasis, now: ReviewBasis) -> str:
    """Explain what changed since a decision; empty if nothing did."""
    if then.manifest != now.manifest:
        return "the measurements changed since"
    changed = [name for name in ("plan", "card", "stand") if getattr(then, name) != getattr(now, name)]
    if changed:
        return f"the {' and the '.join(changed)} changed since"
    new = [reason for reason in now.reasons if reason not in then.reasons]
    if new:
        return f"there are new reasons for review since: {'; '.join(new)}"
    gone = [reason for reason in then.reasons if reason not in now.reasons]
    if gone:
        return f"reasons for review have gone since: {'; '.join(gone)}"
    return "" if then == now else "the judgement changed since"


def format_release(decision: PersonsDecision) -> str:
    """Return who released a ticket in review, when and why."""
    return f"released by {decision.person} on review, {decision.decided_at}: {decision.why}"
