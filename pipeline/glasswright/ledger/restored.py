"""Acceptance of a ledger whose last commits are missing: who, when and why; kept as events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger import writing
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from glasswright.ledger.records import RunRecord
    from glasswright.ledger.store import Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """A person's acceptance of a ledger whose last commits were missing."""

    accepted_at: str
    accepted_by: str
    why: str
    finding: str
    """How the ledger and its head differed."""

    def __str__(self) -> str:
        """Return the acceptance as printed with every decision."""
        who = f"on {self.accepted_at} {self.accepted_by} accepted this ledger without its last commits"
        return f"{who} ({self.why}): {self.finding}"


def accept_restored(ledger: Ledger, record: RunRecord, accepted_by: str, why: str, finding: str) -> None:
    """Record that a ledger whose last commits are missing is accepted; from then on its head matches again.

    Parameters
    ----------
    ledger
        Opened for writing without a check of its head.
    record
        The accepting run. Everything is one commit, so the head cannot match without this record.
    """
    values = (accepted_by, why, finding)
    with ledger.database.transaction():
        writing.end_killed_runs(ledger.database, record.started_at)
        run = writing.add_run(ledger.database, record)
        ledger.database.insert("restored", None, run, *values, row_hash(*values))
        writing.end_run(ledger.database, run, record.started_at, True, {"restored": finding})


def read_restored(ledger: Ledger) -> tuple[Restored, ...]:
    """Return all such acceptances, each checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If a row does not match its hash.
    """
    sql = (
        "SELECT restored.id, started_at, accepted_by, why, finding, restored.hash FROM restored "
        "JOIN run ON run.id = run ORDER BY restored.id"
    )
    found = []
    for number, accepted_at, *values, hashed in ledger.database.rows(sql):
        if row_hash(*values) != hashed:
            msg = f"{ledger.database.path}: restored {number} does not match its hash: restore the ledger from a backup"
            raise LedgerDamagedError(msg)
        accepted_by, why, finding = values
        found.append(Restored(accepted_at=accepted_at, accepted_by=accepted_by, why=why, finding=finding))
    return tuple(found)
