"""Every kind of tampering with a row of any table breaks the chain."""

import pytest

from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger, chain
from support.ledger_tampering import TABLES, columns, dump, tamper, unguarded
from support.ledger_toys import write_night

KEYS = {
    "run_end": ("run",),
    "measurement": ("outcome", "field"),
    "manifest_outcome": ("manifest", "outcome"),
    "verdict": ("judgement", "place"),
}
NUMBERED = tuple(table for table in TABLES if table not in chain.BOUND and table != "link")
UNIQUE = {"document": {"sha256": "sha256 || 'x'"}, "field": {"path": "path || 'x'"}}


def find_damage(path):
    """Return what the chain and the rows' hashes show by themselves, without the head."""
    with Ledger.open_for_reading(path, check_head=False) as ledger:
        ledger.head_damage = None
        return ledger.verify().damage


def key_of(table):
    return ", ".join(KEYS.get(table, ("id",)))


def row_of(table, place):
    """Return the condition that picks the row at a place, in the order of the key."""
    key = key_of(table)
    return f"({key}) = (SELECT {key} FROM {table} ORDER BY {key} LIMIT 1 OFFSET {place})"


def test_the_sample_has_rows_in_every_table_and_is_sound(path):
    """A table that is new in the schema gets its rows in `write_every_table`."""
    assert find_damage(path) == ()
    rows = dump(path)
    assert [table for table in TABLES if len(rows[table]) < 2] == []


def test_every_table_is_covered_by_links_or_bound_to_a_row_that_is(path):
    with Ledger.open_for_reading(path) as ledger:
        numbered = chain.numbered_tables(ledger.database)
        assert chain.all_tables(ledger.database) == tuple(each for each in TABLES if each != "link")
    assert set(numbered) & set(chain.BOUND) == set()
    assert sorted({*numbered, *chain.BOUND, "link"}) == sorted(TABLES), (
        "give a new table a whole number as `id` and a `hash` of its other columns but `run`, "
        "or say in chain.BOUND what covers it"
    )


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("where", ["first", "middle", "last"])
def test_a_deleted_row_is_detected(path, table, where):
    count = len(dump(path)[table])
    place = {"first": 0, "middle": count // 2, "last": count - 1}[where]
    tamper(path, f"DELETE FROM {table} WHERE {row_of(table, place)}")
    assert find_damage(path)


@pytest.mark.parametrize("table", TABLES)
def test_a_deleted_row_with_renumbered_followers_is_detected(path, table):
    """The numbers are adjusted, and so is the database's record of the highest one."""
    if len(KEYS.get(table, ("id",))) > 1:
        pytest.skip("its rows have no numbers")
    key, count = key_of(table), len(dump(path)[table])
    tamper(
        path,
        f"DELETE FROM {table} WHERE {row_of(table, 0)}",
        f"UPDATE {table} SET {key} = -{key}",
        f"UPDATE {table} SET {key} = -{key} - 1",
        f"UPDATE sqlite_sequence SET seq = {count - 1} WHERE name = '{table}'",
    )
    assert find_damage(path)


@pytest.mark.parametrize("table", TABLES)
def test_an_inserted_row_is_detected(path, table):
    """It is a copy of the last one with another key."""
    *_, last = KEYS.get(table, ("id",))
    changed = UNIQUE.get(table, {}) | {last: f"{last} + 1"}
    values = ", ".join(changed.get(column, column) for of, column, _ in columns(path) if of == table)
    place = len(dump(path)[table]) - 1
    tamper(path, f"INSERT INTO {table} SELECT {values} FROM {table} WHERE {row_of(table, place)}")
    assert find_damage(path)


@pytest.mark.parametrize("table", [table for table in TABLES if table != "manifest_outcome"])
def test_two_exchanged_rows_are_detected(path, table):
    """Not of `manifest_outcome`: which outcomes a manifest has is a set."""
    *others, last = KEYS.get(table, ("id",))
    places = (0, 1)
    if table in ("measurement", "verdict"):  # two rows of one outcome or judgement
        first = dump(path)[table][0]
        assert dump(path)[table][1][0] == first[0]
    one, two = (f"(SELECT {last} FROM {table} ORDER BY {key_of(table)} LIMIT 1 OFFSET {place})" for place in places)
    same = "".join(f" AND {other} = (SELECT {other} FROM {table} ORDER BY {key_of(table)} LIMIT 1)" for other in others)
    with unguarded(path) as connection:
        a, b = connection.execute(f"SELECT {one}, {two}").fetchone()
        for old, new in ((a, -1), (b, a), (-1, b)):
            assert connection.execute(f"UPDATE {table} SET {last} = {new} WHERE {last} = {old}{same}").rowcount == 1
    assert find_damage(path)


FORGED = {
    "document": "name = name || 'x'",
    "inspected": "why = why || 'x'",
    "judgement": "verdict = 'REVIEW'",
    "manifest": "folder = '/elsewhere'",
    "outcome": "seconds = seconds + 1",
    "restored": "accepted_by = 'nobody'",
    "returned": "why = why || 'x'",
    "run": "machine = machine || 'x'",
    "run_end": "summary = '{}'",
}
"""For each numbered table, a forged change of some column."""


def forge(path, table):
    """Change a row in the middle, and adjust its hash."""
    where = row_of(table, len(dump(path)[table]) // 2)
    names = [column for of, column, _ in columns(path) if of == table and column not in ("id", "run", "hash")]
    hashed = chain.HASHED_COLUMNS.get(table, ", ".join(names))
    if table == chain.HASHED_IN_TWO:
        hashed = "content, seconds, traceback"
    change = FORGED.get(table, f"{names[0]} = {names[0]} || 'x'")
    tamper(path, f"UPDATE {table} SET {change} WHERE {where}")
    if "hash" in [column for of, column, _ in columns(path) if of == table]:  # else the database makes it of the row
        tamper(path, f"UPDATE {table} SET hash = row_hash({hashed}) WHERE {where}")


@pytest.mark.parametrize("table", NUMBERED)
def test_a_changed_row_whose_own_hash_was_made_to_fit_is_found_by_its_link(path, table):
    forge(path, table)
    assert any("does not match its digest" in each for each in find_damage(path))
    with Ledger.open_for_reading(path) as ledger, pytest.raises(LedgerDamagedError, match="does not match its digest"):
        ledger.check_chain()
    with pytest.raises(LedgerDamagedError, match="does not match its digest"):
        Ledger.open_for_writing(path)


@pytest.mark.parametrize("table", NUMBERED)
def test_a_row_given_to_another_run_is_found_by_its_link(path, table):
    if table in ("run", "run_end", "document"):
        pytest.skip("its rows say of no run that it added them")
    tamper(path, f"UPDATE {table} SET run = run + 1 WHERE {row_of(table, 0)}")
    assert any("does not match its digest" in each for each in find_damage(path))


@pytest.mark.parametrize("change", ["made_at = 'x'", "counts = json_set(counts, '$.run', 9)", "previous = 'x'"])
@pytest.mark.parametrize("place", [0, 3])
def test_a_changed_link_is_found(path, change, place):
    tamper(path, f"UPDATE link SET {change} WHERE {row_of('link', place)}")
    assert find_damage(path)


def test_a_link_made_to_fit_its_own_digest_does_not_fit_the_next(path):
    tamper(path, "UPDATE link SET made_at = 'x' WHERE id = 3")
    with Ledger.open_for_reading(path, check_head=False) as ledger:
        rows = ledger.database.rows("SELECT counts, previous FROM link WHERE id IN (2, 3) ORDER BY id")
        before, counts = (chain.json.loads(row[0]) for row in rows)
        forged = ("x", rows[1][0], rows[1][1])
        digest = chain._digest(ledger.database, chain.columns_by_table(ledger.database), before, counts, forged)
    tamper(path, f"UPDATE link SET digest = '{digest}' WHERE id = 3")
    assert any("commit 4 of" in each and "does not match its digest" in each for each in find_damage(path))


def test_rows_of_a_killed_run_are_linked_before_the_next_run_begins(tmp_path):
    path = tmp_path / "bench.ledger"
    write_night(path)
    with Ledger.open_for_writing(path) as ledger:
        ledger.database.rows("BEGIN")  # and it ends without a message
    with unguarded(path) as connection:
        connection.execute("DELETE FROM run_end")
        connection.execute("DELETE FROM sqlite_sequence WHERE name = 'run_end'")
    assert any("table run_end" in each for each in find_damage(path))
