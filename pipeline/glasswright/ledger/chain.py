"""The hash chain: one link per commit, whose digest covers the rows that the commit added and the previous link.

The covered tables are derived from the schema. A table with an integer key and a column `hash` is *numbered*: its rows
are numbered from 1 without gaps, and a link covers the rows that its commit added. Every other table is *bound*: its
rows are covered by the hash of a numbered row (see `BOUND`), and their number by the link.
"""

from __future__ import annotations

import json
from datetime import datetime
from secrets import token_hex
from typing import TYPE_CHECKING, Final

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.hashes import row_hash

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.ledger.store import Database

BOUND: Final = {
    "field": "path and unit are in the hash of every measurement of the field",
    "measurement": "outcome.measured_hash covers an outcome's measurements, and measured_count how many there are",
    "manifest_outcome": "manifest.content covers the contents of a manifest's outcomes",
    "verdict": "judgement.verdicts covers a judgement's verdicts",
}
"""Tables whose rows have no hash covered by a link -> what covers them."""
HASHED_COLUMNS: Final = {"document": "sha256, kind, name", "manifest": "ticket, content, folder"}
"""Columns in a row's hash where these are not all columns: `sha256` and `content` cover the others."""
HASHED_IN_TWO: Final = "outcome"
"""The one table whose `hash` covers another hash; `reading.check_outcome` checks it wherever an outcome is read."""
FIRST: Final = "ledger "
"""Prefix of `previous` in the first link; the ledger's random name follows."""


def numbered_tables(database: Database) -> tuple[str, ...]:
    """Return the numbered tables, which links cover row by row."""
    sql = (
        "SELECT tables.name FROM pragma_table_list AS tables JOIN pragma_table_xinfo(tables.name) AS columns "
        "WHERE tables.schema = 'main' AND tables.type = 'table' AND tables.wr = 0 "
        "AND (columns.name = 'hash' OR (columns.pk = 1 AND columns.type = 'INTEGER')) "
        "GROUP BY tables.name HAVING count(*) = 2 ORDER BY tables.name"
    )
    return tuple(str(row[0]) for row in database.rows(sql))


def all_tables(database: Database) -> tuple[str, ...]:
    """Return the tables of the ledger except the links."""
    sql = (
        "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name != 'link' "
        "ORDER BY name"
    )
    return tuple(str(row[0]) for row in database.rows(sql))


def add_link(database: Database, added: Mapping[str, int] | None) -> None:
    """Add the link of a transaction.

    Parameters
    ----------
    added
        Bound table -> number of rows added in the transaction; None to count all rows, after a change of the schema.
    """
    last = database.rows("SELECT counts, digest FROM link ORDER BY id DESC LIMIT 1")
    before, previous = (_read_counts(database, last[0][0]), str(last[0][1])) if last else ({}, FIRST + token_hex(16))
    tables = database.linked_columns()
    counts = {}
    for table in database.all_tables():
        if table in tables:
            counts[table] = _last_number(database, table)
        elif added is None:
            counts[table] = count_rows(database, table)
        else:
            counts[table] = before.get(table, 0) + added.get(table, 0)
    made_at = datetime.now().astimezone().isoformat(timespec="milliseconds")
    text = json.dumps(counts, sort_keys=True)
    digest = _digest(database, tables, before, counts, (made_at, text, previous))
    database.insert("link", None, made_at, text, previous, digest)


def _read_counts(database: Database, text: str) -> Mapping[str, int]:
    try:
        counts: dict[str, int] = json.loads(text)
        if all(type(count) is int for count in counts.values()):
            return counts
    except (ValueError, AttributeError):
        pass
    raise _damage(database, "the chain no longer contains the number of rows")


def _last_number(database: Database, table: str) -> int:
    return int(database.rows(f"SELECT coalesce(max(rowid), 0) FROM {table}")[0][0])


def count_rows(database: Database, table: str) -> int:
    """Count the rows of a table."""
    return int(database.rows(f"SELECT count(*) FROM {table}")[0][0])


def columns_by_table(database: Database) -> Mapping[str, str]:
    """Return numbered table -> columns that a link covers: a row's hash, and the run that added it."""
    tables = {}
    for table in numbered_tables(database):
        has_run = database.rows("SELECT 1 FROM pragma_table_info(?) WHERE name = 'run' AND pk = 0", table)
        tables[table] = "run, hash" if has_run else "hash"
    return tables


def _digest(
    database: Database,
    tables: Mapping[str, str],
    before: Mapping[str, int],
    counts: Mapping[str, int],
    link_columns: tuple[str, str, str],
) -> str:
    """Return the digest of a link with the columns `link_columns`, over the rows after `before` up to `counts`."""
    parts = []
    for table, columns in tables.items():
        first, last = before.get(table, 0), counts.get(table, 0)
        if first == last:
            continue
        rows = database.rows(
            f"SELECT {columns} FROM {table} WHERE rowid > ? AND rowid <= ? ORDER BY rowid", first, last
        )
        if len(rows) != last - first:
            raise _damage(
                database, f"table {table} should have rows {first + 1} to {last}, and has {len(rows)} of them"
            )
        parts.append(row_hash(table, [str(value) for row in rows for value in row]))
    return row_hash(*link_columns, parts)


def check_chain(database: Database) -> None:
    """Check every link against the hashes of its rows, and every numbered row against its own hash.

    Raises
    ------
    LedgerDamagedError
        At the first mismatch. Rows of bound tables are checked where they are read, and by `verify`.
    """
    tables = columns_by_table(database)
    for table in tables:
        if table != HASHED_IN_TWO:
            _check_index(database, table)
            _check_rows(database, table)
    counts = _check_links(database, tables)
    sequences = dict(database.rows("SELECT name, seq FROM sqlite_sequence"))
    for table in tables:
        if not _last_number(database, table) == counts.get(table, 0) == sequences.get(table, 0):
            raise _damage(database, f"table {table} does not end where the chain ends it")


def last_counts(database: Database) -> Mapping[str, int]:
    """Return table -> number of rows by the last link."""
    rows = database.rows("SELECT counts FROM link ORDER BY id DESC LIMIT 1")
    if not rows:
        raise _damage(database, "the ledger has no chain")
    return _read_counts(database, rows[0][0])


def counts_at(database: Database, commits: int) -> Mapping[str, int]:
    """Return table -> number of rows after a number of commits."""
    rows = database.rows("SELECT counts FROM link WHERE id = ?", commits)
    return _read_counts(database, rows[0][0]) if rows else {}


def check_bound_counts(database: Database) -> None:
    """Check that each table has as many rows as the last link states."""
    for table, count in last_counts(database).items():
        found = count_rows(database, table)
        if found != count:
            raise _damage(database, f"table {table} has {found} rows instead of {count} by the chain")


def _damage(database: Database, what: str) -> LedgerDamagedError:
    return LedgerDamagedError(f"{database.path}: {what}: restore the ledger from a backup")


def _check_index(database: Database, table: str) -> None:
    """Check that no index hides a row: otherwise an older row could pass for the latest."""
    for (message,) in database.rows(f"PRAGMA integrity_check({table})"):
        if message != "ok":
            raise _damage(database, f"table {table} is damaged ({message})")


def _check_rows(database: Database, table: str) -> None:
    """Check the hash of each row, which covers all columns in order except the row's number and run.

    A hash that somebody computed anew would match its row, but not the links.
    """
    names = [str(row[1]) for row in database.rows(f"PRAGMA table_info({table})")]
    if "hash" not in names:
        return
    all_columns = ", ".join(name for name in names if name not in ("id", "run", "hash"))
    columns = HASHED_COLUMNS.get(table, all_columns)
    for number, *values, hashed in database.stream(f"SELECT rowid, {columns}, hash FROM {table}"):
        if row_hash(*values) != hashed:
            raise _damage(database, f"{table} {number} does not match its hash")


def _check_links(database: Database, tables: Mapping[str, str]) -> Mapping[str, int]:
    """Check the links in order; return table -> number of rows by the last one."""
    counts: Mapping[str, int] = {}
    expected = ""
    links = database.stream("SELECT id, made_at, counts, previous, digest FROM link ORDER BY id")
    for place, (number, made_at, text, previous, digest) in enumerate(links, 1):
        before, counts = counts, _read_counts(database, text)
        found = _digest(database, tables, before, counts, (made_at, text, previous))
        follows = previous == expected if expected else previous.startswith(FIRST)
        if number != place or digest != found or not follows:
            what = f"commit {place} of {made_at} does not match its digest: a row that it added was changed or removed"
            raise _damage(database, what)
        expected = digest
    if not expected:
        raise _damage(database, "the ledger has no chain")
    return counts
