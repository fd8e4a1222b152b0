"""Lenses that came back: marks that are added, never changed."""

import sqlite3
from contextlib import closing

import pytest
from click.testing import CliRunner

from glasswright.commands.main import run_command
from glasswright.commands.returned import returned
from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger
from glasswright.ledger.returned import latest_returned
from glasswright.ledger.schema import migrations
from glasswright.ledger.store import APPLICATION_ID
from support.ledger_toys import write_night


@pytest.fixture
def path(tmp_path):
    write_night(tmp_path / "bench.ledger", numbers=("T-1", "T-2"))
    return tmp_path / "bench.ledger"


def mark(path, *arguments, ticket="T-1"):
    words = [ticket, "--ledger", str(path), "--by", "K. Moreau", *arguments]
    result = CliRunner().invoke(returned, words, standalone_mode=False)
    if result.exception:
        raise result.exception
    return result.output


def events(path):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT ticket, came_back, marked_by, why FROM returned ORDER BY id").fetchall()


def test_a_mark_is_kept_and_read_back(path):
    assert mark(path, "--why", "soft on the left") == (
        "T-1 (Corvane 50 mm f/2, serial C50-1): marked as returned by K. Moreau: soft on the left\n"
    )
    with Ledger.open_for_reading(path) as ledger:
        found = latest_returned(ledger)
        assert ledger.verify().damage == ()
    assert list(found) == ["T-1"]
    assert found["T-1"].came_back
    assert (found["T-1"].marked_by, found["T-1"].why) == ("K. Moreau", "soft on the left")


def test_the_same_mark_again_adds_nothing(path):
    mark(path, "--why", "soft")
    assert "already marked" in mark(path, "--why", "soft")
    assert events(path) == [("T-1", 1, "K. Moreau", "soft")]


def test_a_mark_is_withdrawn_by_another_event(path):
    mark(path, "--why", "soft")
    assert "no longer marked as returned by K. Moreau: another lens" in mark(
        path, "--withdraw", "--why", "another lens"
    )
    assert events(path) == [("T-1", 1, "K. Moreau", "soft"), ("T-1", 0, "K. Moreau", "another lens")]
    with Ledger.open_for_reading(path) as ledger:
        assert not latest_returned(ledger)["T-1"].came_back


BY = ("--by", "K. Moreau")


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["T-9", *BY, "--why", "soft"], 2, "the ledger has no ticket `T-9`: correct the number"),
        (["T-1", *BY, "--why", "  "], 2, "write it in a few words on one line"),
        (["T-1", *BY], 2, "Missing option '--why'"),
        (["T-1", "--why", "soft"], 2, "Missing option '--by'"),
        (["T-1", "--by", "x", "--why", "soft"], 2, "`x` is not the name of a person: write who it is"),
        (["T-1", *BY, "--why", "soft", "--withdraw"], 2, "ticket `T-1` is not marked as returned: nothing to withdraw"),
    ],
)
def test_an_invalid_mark_is_refused(path, capsys, arguments, code, message):
    assert run_command(["returned", *arguments, "--ledger", str(path)]) == code
    assert message in capsys.readouterr().err
    assert events(path) == []


def test_a_missing_ledger_is_not_made(tmp_path):
    with pytest.raises(LedgerDamagedError, match="there is no ledger here"):
        mark(tmp_path / "none.ledger", "--why", "soft")
    assert not (tmp_path / "none.ledger").exists()


def test_an_older_ledger_is_brought_up_to_date_and_covered_by_the_chain(path):
    make_older(path)
    with pytest.raises(LedgerDamagedError, match="to be brought up to date"):
        Ledger.open_for_reading(path)
    mark(path, "--why", "soft")
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.verify().damage == ()
    assert path.with_name("bench.ledger.schema-1").exists()


def make_older(path):
    """Rewrite a ledger in the first schema, without later tables and columns."""
    older = path.with_name("older.ledger")
    with closing(sqlite3.connect(older)) as connection:
        for statement in migrations()[0]:
            connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA user_version = 1")
        connection.execute("ATTACH ? AS newer", (str(path),))
        for (table,) in connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'").fetchall():
            names = [row[1] for row in connection.execute(f"PRAGMA newer.table_info({table})")]
            columns = [row[1] for row in connection.execute(f"PRAGMA main.table_info({table})")]
            values = ", ".join(name if name in names else "''" for name in columns)
            if not table.startswith("sqlite_"):
                connection.execute(f"INSERT INTO main.{table} SELECT {values} FROM newer.{table}")
        connection.commit()
    older.replace(path)
    path.with_name("bench.ledger.head").unlink()


def test_a_mark_that_was_changed_is_found(path):
    mark(path, "--why", "soft")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER returned_no_update")
        connection.execute("UPDATE returned SET why = 'a scratch'")
        connection.commit()
    with Ledger.open_for_reading(path) as ledger, pytest.raises(LedgerDamagedError, match="mark 1 of ticket T-1"):
        latest_returned(ledger)
