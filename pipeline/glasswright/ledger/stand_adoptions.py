"""Adopted stand files: the first one that a run used, and every change that a person adopted since."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright.ledger.records import Document
    from glasswright.ledger.store import Database, Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class StandAdoption:
    """The adoption of a stand file as the valid description of its stand."""

    sha256: str
    """SHA-256 of the kept stand file."""
    adopted_by: str
    """Empty for the stand file of the first run."""
    why: str
    adopted_at: str
    """Start time of the run that wrote it."""
    run: int
    """Number of the run that wrote it."""

    def __str__(self) -> str:
        """Return who adopted it, when and why."""
        if not self.adopted_by:
            return f"as found by the first run with it, {self.adopted_at}"
        return f"adopted by {self.adopted_by}, {self.adopted_at}: {self.why}"


def adopt_stand(ledger: Ledger, run: int, stand: Document, by: str, why: str) -> None:
    """Add a person's adoption of a stand file, which must be among the run's documents."""
    with ledger.database.transaction():
        _add(ledger.database, run, stand, by, why)


def keep_first_stands(database: Database, run: int, documents: Iterable[Document]) -> None:
    """Adopt the stand file of a stand that is new to the ledger."""
    for each in documents:
        if each.kind == "stand" and not database.rows("SELECT 1 FROM stand_adoption WHERE stand = ?", each.name):
            _add(database, run, each, "", "")


def read_stand_adoptions(ledger: Ledger, stand: str) -> tuple[StandAdoption, ...]:
    """Return every adoption of a stand, oldest first, each checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If one does not match its hash.
    """
    sql = (
        "SELECT stand_adoption.id, run, started_at, stand, document, adopted_by, why, stand_adoption.hash "
        "FROM stand_adoption JOIN run ON run.id = run WHERE stand = ? ORDER BY stand_adoption.id"
    )
    found = []
    for number, run, adopted_at, *values, hashed in ledger.database.rows(sql, stand):
        if row_hash(*values) != hashed:
            what = f"{ledger.database.path}: adoption {number} of stand {stand} does not match its hash"
            raise LedgerDamagedError(f"{what}: restore the ledger from a backup")
        _, sha256, adopted_by, why = values
        found.append(StandAdoption(sha256=sha256, adopted_by=adopted_by, why=why, adopted_at=adopted_at, run=run))
    return tuple(found)


def _add(database: Database, run: int, stand: Document, by: str, why: str) -> None:
    values = (stand.name, stand.sha256, by, why)
    database.insert("stand_adoption", None, run, *values, row_hash(*values))
