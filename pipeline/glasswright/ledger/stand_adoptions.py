"""Which constants a stand had when: as the first run with it found them, and as somebody adopted a change since."""

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
    """That a stand is as one of its files says."""

    sha256: str
    """Of the kept stand file."""
    adopted_by: str
    """Empty where it is what the first run with the stand found."""
    why: str
    adopted_at: str
    """When the run that wrote it started."""
    run: int
    """Number of that run."""

    def __str__(self) -> str:
        """Say who adopted it, when and why."""
        if not self.adopted_by:
            return f"as found by the first run with it, {self.adopted_at}"
        return f"adopted by {self.adopted_by}, {self.adopted_at}: {self.why}"


def adopt_stand(ledger: Ledger, run: int, stand: Document, by: str, why: str) -> None:
    """Keep that somebody adopts a stand file, which the run has among its documents."""
    with ledger.database.transaction():
        _add(ledger.database, run, stand, by, why)


def keep_first_stands(database: Database, run: int, documents: Iterable[Document]) -> None:
    """Take a stand that the ledger meets for the first time as it is found."""
    for each in documents:
        if each.kind == "stand" and not database.rows("SELECT 1 FROM stand_adoption WHERE stand = ?", each.name):
            _add(database, run, each, "", "")


def read_stand_adoptions(ledger: Ledger, stand: str) -> tuple[StandAdoption, ...]:
    """Return every adoption of a stand, the first one first, each checked against its hash.

    Raises
    ------
    LedgerDamagedError
        If one is not what it was.
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
