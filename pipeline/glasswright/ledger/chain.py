"""The chain of runs: each run's digest covers all that it added, and the digest of the run before."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.ledger.store import Database


def end_run(database: Database, run: int, ended_at: str, completed: bool, summary: Mapping[str, object]) -> str:
    """Close a run with its digest, and give that."""
    last = database.rows("SELECT digest FROM run_end ORDER BY run DESC LIMIT 1")
    previous = str(last[0][0]) if last else ""
    text = json.dumps(summary, sort_keys=True, default=str)
    digest = _run_digest(database, run, ended_at, completed, text, previous)
    database.insert("run_end", run, ended_at, int(completed), text, previous, digest)
    return digest


def end_killed_runs(database: Database, ended_at: str) -> None:
    """Close the runs that did not come to their end, so that the chain covers what they kept."""
    for (run,) in database.rows("SELECT id FROM run WHERE id NOT IN (SELECT run FROM run_end) ORDER BY id"):
        end_run(database, int(run), ended_at, False, {"interrupted": True})


def _run_digest(database: Database, run: int, ended_at: str, completed: bool, summary: str, previous: str) -> str:
    parts = [str(row[0]) for row in database.rows("SELECT hash FROM run WHERE id = ?", run)]
    for table in _tables_of_runs(database):
        rows = database.rows(f"SELECT hash FROM {table} WHERE run = ? ORDER BY id", run)
        # a table that a run adds nothing to is no part of its digest: older digests hold when a schema gains a table
        parts += [row_hash(table, [str(row[0]) for row in rows])] if rows else []
    return row_hash(previous, run, ended_at, int(completed), summary, parts)


def _tables_of_runs(database: Database) -> list[str]:
    """Name the tables whose rows carry a hash and the run that added them."""
    sql = (
        # the longer list names generated columns, too
        "SELECT tables.name FROM sqlite_schema AS tables JOIN pragma_table_xinfo(tables.name) AS columns "
        "WHERE tables.type = 'table' AND columns.name IN ('run', 'hash') "
        "GROUP BY tables.name HAVING count(*) = 2 ORDER BY tables.name"
    )
    return [str(row[0]) for row in database.rows(sql)]


COVERED = {
    "run": "id, command, machine, started_at, versions, documents, hash",
    "manifest": "id, ticket, content, folder, hash",
    "judgement": "id, ticket, manifest, card, stand, judge_version, verdict, reasons, verdicts, hash",
    "returned": "id, ticket, came_back, why, hash",
    "attempt": "id, ticket, state, folder, reason, hash",
    "decision": "id, ticket, releases, person, why, manifest, judgement, plan, card, stand, reasons, hash",
}
"""What the hash of a row covers, for the few rows that say which others count."""


def check_chain(database: Database) -> None:
    """Check every run, manifest and judgement, and every run's digest over the hashes of what it added.

    Raises
    ------
    LedgerDamagedError
        At the first that does not fit, or where a row at the end of a table is gone.
    """
    there = {row[0] for row in database.rows("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    for table, columns in COVERED.items():
        if table not in there:
            continue
        _check_index(database, table)
        for number, *values, hashed in database.rows(f"SELECT {columns} FROM {table}"):
            if row_hash(*values) != hashed:
                msg = f"{database.path}: {table} {number} does not match its hash: restore the ledger from a backup"
                raise LedgerDamagedError(msg)
    if "shot_content" in there:
        _check_index(database, "shot_content")
    _check_ends(database)
    _check_digests(database)


def _check_index(database: Database, table: str) -> None:
    """Check that no index hides a row: the latest one would be missed, and an older one believed."""
    for (message,) in database.rows(f"PRAGMA integrity_check({table})"):
        if message != "ok":
            msg = f"{database.path}: table {table} is damaged ({message}): restore the ledger from a backup"
            raise LedgerDamagedError(msg)


def _check_ends(database: Database) -> None:
    """Check that no table has lost its last rows: the database remembers the highest number that it gave."""
    last_numbers = dict(database.rows("SELECT name, seq FROM sqlite_sequence"))
    numbered = "SELECT name FROM sqlite_schema WHERE type = 'table' AND sql LIKE '%AUTOINCREMENT%'"
    for (table,) in database.rows(numbered):
        highest = database.rows(f"SELECT coalesce(max(rowid), 0) FROM {table}")[0][0]
        if highest != last_numbers.get(table, 0):
            msg = f"{database.path}: rows are missing at the end of table {table}: restore the ledger from a backup"
            raise LedgerDamagedError(msg)


def _check_digests(database: Database) -> None:
    expected = ""
    ends = {row[0]: row[1:] for row in database.rows("SELECT * FROM run_end ORDER BY run")}
    runs = [row[0] for row in database.rows("SELECT id FROM run ORDER BY id")]
    open_runs = [run for run in runs if run not in ends]
    for run, (ended_at, completed, summary, previous, digest) in ends.items():
        found = _run_digest(database, run, ended_at, bool(completed), summary, previous)
        if previous != expected or found != digest or run not in runs:
            what = f"run {run} does not match its digest: a row that it added was changed or removed"
            msg = f"{database.path}: {what}: restore the ledger from a backup"
            raise LedgerDamagedError(msg)
        expected = digest
    if runs != list(range(1, len(runs) + 1)) or open_runs not in ([], runs[-1:]):
        msg = f"{database.path}: the runs are not complete (found {len(runs)}): restore the ledger from a backup"
        raise LedgerDamagedError(msg)
