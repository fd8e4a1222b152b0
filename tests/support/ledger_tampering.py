"""Change a ledger outside the program, like damage or forgery."""

import sqlite3
from contextlib import closing, contextmanager

from glasswright.ledger.hashes import row_hash
from glasswright.ledger.schema import migrations


def _tables_of_schema():
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.create_function("row_hash", -1, row_hash)
        for statements in migrations():
            for statement in statements:
                connection.execute(statement)
        sql = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name"
        return tuple(name for (name,) in connection.execute(sql))


TABLES = _tables_of_schema()


@contextmanager
def unguarded(path):
    """Yield a connection to a ledger without triggers, and restore them."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.create_function("row_hash", -1, row_hash)
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


def tamper(path, *statements):
    with unguarded(path) as connection:
        changed = [connection.execute(sql).rowcount for sql in statements]
    assert min(changed) > 0, f"nothing was changed by {statements}"


def dump(path):
    """Return the content of all tables."""
    with closing(sqlite3.connect(path)) as connection:
        tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name").fetchall()
        return {name: connection.execute(f"SELECT * FROM {name}").fetchall() for (name,) in tables}


def columns(path):
    """Return every column of every table of the ledger, with its type."""
    with closing(sqlite3.connect(path)) as connection:
        return [
            (table, column, kind)
            for table in TABLES
            for _, column, kind, *_ in connection.execute(f"PRAGMA table_info({table})")
        ]
