"""Persons' decisions on tickets in review; events are added and never changed."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from glasswright.ledger.store import Database

COLUMNS = "ticket, releases, person, why, manifest, judgement, plan, card, stand, reasons"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewBasis:
    """All that a person's decision rests on; with any part of it changed, the decision says nothing any more."""

    manifest: str
    """Names what was measured: `TicketState.content`."""
    judgement: str
    """Names the judgement by all that it says."""
    plan: str
    """SHA-256 of the plan's text."""
    card: str
    """SHA-256 of the card's text."""
    stand: str
    """SHA-256 of the stand file's text."""
    reasons: tuple[str, ...]
    """Everything that was in review."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonsDecision:
    """A ticket in review that a person released, or that such a release was withdrawn."""

    ticket: str
    releases: bool
    person: str
    why: str
    basis: ReviewBasis
    decided_at: str = ""
    """When the run that wrote it started."""


def add_decision(database: Database, run: int, decision: PersonsDecision) -> None:
    """Keep a decision."""
    basis = decision.basis
    values = (
        decision.ticket, int(decision.releases), decision.person, decision.why,
        basis.manifest, basis.judgement, basis.plan, basis.card, basis.stand, json.dumps(basis.reasons),
    )  # fmt: skip
    database.insert("decision", None, run, *values, row_hash(*values))


def latest_decisions(database: Database, tickets: Collection[str]) -> Mapping[str, PersonsDecision]:
    """Return the latest decision on each ticket that has one, a withdrawal too, checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If a decision is not what it was.
    """
    sql = (
        f"SELECT decision.id, started_at, {COLUMNS}, decision.hash FROM decision JOIN run ON run.id = run "
        "WHERE decision.id IN (SELECT max(id) FROM decision WHERE ticket IN (SELECT value FROM json_each(?)) "
        "GROUP BY ticket)"
    )
    found = {}
    for number, decided_at, *values, hashed in database.rows(sql, json.dumps(list(tickets))):
        ticket, releases, person, why, manifest, judgement, plan, card, stand, reasons = values
        if row_hash(*values) != hashed:
            msg = f"{database.path}: decision {number} on ticket {ticket} does not match its hash"
            raise LedgerDamagedError(f"{msg}: restore the ledger from a backup")
        basis = ReviewBasis(
            manifest=manifest,
            judgement=judgement,
            plan=plan,
            card=card,
            stand=stand,
            reasons=tuple(json.loads(reasons)),
        )
        found[ticket] = PersonsDecision(
            ticket=ticket, releases=bool(releases), person=person, why=why, basis=basis, decided_at=decided_at
        )
    return found
