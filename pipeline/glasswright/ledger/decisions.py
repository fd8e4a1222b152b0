"""Persons' decisions on tickets in review, kept as events."""

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
    """What a person's decision is based on; if any part changes, the decision becomes void."""

    manifest: str
    """Hash of the measurements: `TicketState.content`."""
    judgement: str
    """Hash of the judgement's content."""
    plan: str
    """SHA-256 of the plan's text."""
    card: str
    """SHA-256 of the card's text."""
    stand: str
    """SHA-256 of the stand file's text."""
    reasons: tuple[str, ...]
    """All reasons for the review."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonsDecision:
    """A person's release of a ticket in review, or its withdrawal."""

    ticket: str
    releases: bool
    person: str
    why: str
    basis: ReviewBasis
    decided_at: str = ""
    """Start time of the run that wrote it."""


def add_decision(database: Database, run: int, decision: PersonsDecision) -> None:
    """Add a decision."""
    basis = decision.basis
    values = (
        decision.ticket, int(decision.releases), decision.person, decision.why,
        basis.manifest, basis.judgement, basis.plan, basis.card, basis.stand, json.dumps(basis.reasons),
    )  # fmt: skip
    database.insert("decision", None, run, *values, row_hash(*values))


def latest_decisions(database: Database, tickets: Collection[str]) -> Mapping[str, PersonsDecision]:
    """Return the latest decision (or withdrawal) on each ticket that has one, checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If a decision does not match its hash.
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
