"""Verification of every row and file of a ledger against its hash."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.chain import check_bound_counts, check_chain
from glasswright.ledger.hashes import row_hash
from glasswright.ledger.judgements import JUDGEMENT_SQL, read_judgement
from glasswright.ledger.reading import OUTCOME_SQL, OutcomeRow, check_all_measurements, check_outcome
from glasswright.ledger.restored import read_restored
from glasswright.ledger.writing import manifest_content

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from glasswright.ledger.files import ArtefactFiles
    from glasswright.ledger.store import Database, Ledger

UNREADABLE = (LedgerDamagedError, ValueError, TypeError, AttributeError, LookupError)
"""Exceptions when damaged rows are read."""
OUTCOMES_AT_A_TIME = 500
"""Outcomes in memory at a time; each has about 9 KB with its measurements."""
SHARES = 16
"""Number of parts of the older rows; each backup checks one part again."""
COUNTED = ("run", "manifest", "outcome", "measurement", "judgement", "verdict", "document")


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """Result of checking the whole ledger."""

    counts: Mapping[str, int]
    """Kind of row or file -> number checked; empty for a damaged ledger."""
    damage: tuple[str, ...]
    """All damage found; empty for an intact ledger."""
    notes: tuple[str, ...]
    """Remarks that are not damage."""


def verify(ledger: Ledger) -> Verification:
    """Check everything, continuing after damage."""
    database, files = ledger.database, ledger.files
    head_damage = [] if ledger.head_damage is None else [str(ledger.head_damage)]
    damage = tuple(dict.fromkeys([*head_damage, *_damage(database, files)]))
    if damage:
        return Verification(counts={}, damage=damage, notes=())
    counts = {table: _count(database, table) for table in COUNTED}
    artefacts = {row[0] for row in database.rows("SELECT artefact FROM outcome WHERE artefact IS NOT NULL")}
    orphans = sum(name not in artefacts for name in files.names())
    notes = [f"{orphans} files that no row names, left by a stopped run; harmless"] if orphans else []
    notes += [str(each) for each in read_restored(ledger)]
    notes += _format_unsteady(database)
    return Verification(counts={**counts, "artefact file": len(artefacts)}, damage=(), notes=tuple(notes))


def _count(database: Database, table: str) -> int:
    return int(database.rows(f"SELECT count(*) FROM {table}")[0][0])


def _damage(database: Database, files: ArtefactFiles) -> Iterator[str]:
    checks = (_check_database, _check_documents, _check_runs, _check_outcomes, _check_manifests, _check_judgements)
    for check in checks:
        yield from _go_on(check(database))
    yield from _catch(lambda: check_chain(database))
    yield from _catch(lambda: check_bound_counts(database))
    yield from _go_on(_check_files(database, files))


def find_new_damage(database: Database, known: Mapping[str, int], turn: int) -> Iterator[str]:
    """Check all new rows in full, and a fraction of the older ones.

    Parameters
    ----------
    known
        Table -> number of rows checked before.
    turn
        Increasing number that selects the fraction: after `SHARES` turns every row was checked again.
    """
    for table, check in (
        ("outcome", _check_outcomes),
        ("manifest", _check_manifests),
        ("judgement", _check_judgements),
    ):
        which = f"id > {known.get(table, 0)} OR id % {SHARES} = {turn % SHARES}"
        yield from _go_on(check(database, which))
    yield from _go_on(_check_documents(database))
    yield from _go_on(_check_runs(database))


def _go_on(damage: Iterator[str]) -> Iterator[str]:
    """Yield the findings of a check, and the exception that ends it if a row cannot be read."""
    try:
        yield from damage
    except UNREADABLE as error:
        yield str(error)


def _catch(check: Callable[[], object]) -> Iterator[str]:
    try:
        check()
    except UNREADABLE as error:
        yield str(error)


def _check_database(database: Database) -> Iterator[str]:
    for (message,) in database.rows("PRAGMA integrity_check"):
        if message != "ok":
            yield f"{database.path}: {message}"
    for table, row, parent, _ in database.rows("PRAGMA foreign_key_check"):
        yield f"{database.path}: row {row} of {table} names a missing row of {parent}"
    yield from database.find_schema_changes()


def _check_files(database: Database, files: ArtefactFiles) -> Iterator[str]:
    for (sha256,) in database.rows("SELECT DISTINCT artefact FROM outcome WHERE artefact IS NOT NULL"):
        yield from _catch(lambda sha256=sha256: files.read(sha256))  # type: ignore[misc]


def _check_documents(database: Database) -> Iterator[str]:
    for sha256, kind, name, text, hashed in database.rows("SELECT sha256, kind, name, text, hash FROM document"):
        if hashlib.sha256(text.encode()).hexdigest() != sha256 or row_hash(sha256, kind, name) != hashed:
            yield f"{database.path}: the {kind} `{name}` does not match its hash"


def _check_runs(database: Database) -> Iterator[str]:
    known = {row[0] for row in database.rows("SELECT sha256 FROM document")}
    for number, documents in database.rows("SELECT id, documents FROM run"):
        for sha256 in set(json.loads(documents)) - known:
            yield f"{database.path}: a document that run {number} used is missing ({sha256[:12]}...)"


def _check_outcomes(database: Database, which: str = "1") -> Iterator[str]:
    stream = database.stream(f"{OUTCOME_SQL} WHERE {which}")
    while rows := [OutcomeRow(*row) for row in islice(stream, OUTCOMES_AT_A_TIME)]:
        for row in rows:
            yield from _catch(lambda row=row: check_outcome(database, row))  # type: ignore[misc]
        try:
            check_all_measurements(database, {row.id: row for row in rows})
        except LedgerDamagedError:
            # find the damaged ones
            for row in rows:
                yield from _catch(lambda row=row: check_all_measurements(database, {row.id: row}))  # type: ignore[misc]


def _check_manifests(database: Database, which: str = "1") -> Iterator[str]:
    sql = "SELECT content FROM manifest_outcome JOIN outcome ON outcome.id = outcome WHERE manifest = ?"
    for number, ticket, record, content in database.stream(
        f"SELECT id, ticket, record, content FROM manifest WHERE {which}"
    ):
        outcomes = [row[0] for row in database.rows(sql, number)]
        if manifest_content(record, outcomes) != content:
            yield f"{database.path}: manifest {number} of ticket {ticket or 'of the night'} does not match its hash"


def _check_judgements(database: Database, which: str = "1") -> Iterator[str]:
    for row in database.stream(JUDGEMENT_SQL.format(which=f"> 0 AND ({which})")):
        yield from _catch(lambda row=row: read_judgement(database, row))  # type: ignore[misc]


def _format_unsteady(database: Database) -> list[str]:
    """Return a note for each stage that gave different values for the same inputs: it is not deterministic."""
    sql = (
        "SELECT step, count(*) FROM (SELECT step FROM outcome WHERE status = 'done' "
        "GROUP BY address, step HAVING count(DISTINCT artefact) > 1) GROUP BY step"
    )
    return [f"`{step}` gave different values for the same inputs {count} times" for step, count in database.rows(sql)]
