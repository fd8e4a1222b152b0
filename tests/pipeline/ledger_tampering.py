"""Changing a ledger behind its back, as damage or a forger would."""

import sqlite3
from contextlib import closing, contextmanager

TABLES = (
    "document",
    "run",
    "run_end",
    "outcome",
    "field",
    "measurement",
    "manifest",
    "manifest_outcome",
    "judgement",
    "verdict",
    "returned",
    "shot_content",
    "attempt",
    "decision",
)


@contextmanager
def unguarded(path):
    """Give a connection to a ledger whose triggers are off, and put them back as they were."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("BEGIN")
        triggers = connection.execute("SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        yield connection
        for _, sql in triggers:
            connection.execute(sql)
        connection.execute("COMMIT")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def tamper(path, sql):
    with unguarded(path) as connection:
        changed = connection.execute(sql).rowcount
    assert changed > 0, f"nothing was changed by {sql}"


def dump(path):
    """Give all that the tables hold."""
    with closing(sqlite3.connect(path)) as connection:
        tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").fetchall()
        return {name: connection.execute(f"SELECT * FROM {name}").fetchall() for (name,) in tables}


def columns(path):
    """Give every column of every table of the ledger's own, with its kind."""
    with closing(sqlite3.connect(path)) as connection:
        tables = connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite%' ORDER BY name"
        ).fetchall()
        return [
            (table, column, kind)
            for (table,) in tables
            for _, column, kind, *_ in connection.execute(f"PRAGMA table_info({table})")
        ]
