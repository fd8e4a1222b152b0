"""Every change outside the program is detected."""

import random
import shutil
import sqlite3
from contextlib import closing

import pytest
from click.testing import CliRunner

from glasswright.commands.gate import gate
from glasswright.commands.verify import verify
from glasswright.errors import LedgerDamagedError
from glasswright.judging.rejudge import judge_tickets
from glasswright.ledger import Ledger
from support.ledger_tampering import columns, dump, tamper, unguarded
from support.ledger_toys import MODEL, ToyStand, card_file, write_night

LIMITS = [
    "{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}",
    "{measure: measure_vignetting.corner_loss_ev, max: 2.5}",
]


FLIPS = 150


def damage(path):
    with Ledger.open_for_reading(path, check_head=False) as ledger:
        return ledger.verify().damage


def test_a_sound_ledger_is_sound(path):
    assert damage(path) == ()
    result = CliRunner().invoke(gate, ["T-1", "--ledger", str(path)], standalone_mode=False)
    assert result.return_value == 0
    assert "RELEASE" in result.output


KEYS = {"run_end": "run", "measurement": "outcome", "manifest_outcome": "manifest", "verdict": "judgement"}
OTHER = {"TEXT": "{0} || 'x'", "INTEGER": "{0} + 1000", "REAL": "coalesce({0}, 0) + 1", "BLOB": "X'00'"}
ANOTHER = {"measurement.kind": "'nan'", "measurement.text": "'x'", "run_end.completed": "1 - completed"}
ANOTHER |= {"inspected.finding": "'faulty'"}
ANOTHER |= {"returned.came_back": "1 - came_back", "decision.releases": "1 - releases", "attempt.state": "'ended'"}


def change(table, column, kind):
    """Return the statement that changes a column of a table's last row; defined for every column."""
    key = KEYS.get(table, "id")
    where = "WHERE artefact IS NOT NULL" if column == "artefact" else ""
    value = ANOTHER.get(f"{table}.{column}", OTHER[kind].format(column))
    return f"UPDATE {table} SET {column} = {value} WHERE {key} = (SELECT max({key}) FROM {table} {where})"


def test_every_column_of_every_row_is_covered_by_a_hash(path, tmp_path):
    missed = []
    for number, (table, column, kind) in enumerate(columns(path)):
        copy = tmp_path / f"changed-{number}"
        shutil.copytree(path.parent, copy)
        with unguarded(copy / "bench.ledger") as connection:
            assert connection.execute(change(table, column, kind)).rowcount > 0
        if not damage(copy / "bench.ledger"):
            missed.append(f"{table}.{column}")
        shutil.rmtree(copy)
    assert len(columns(path)) > 60
    assert not missed


def test_a_missing_trigger_is_detected(path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER outcome_no_update")
    assert damage(path) == (f"{path}: the database's `outcome_no_update` differs from this program's schema",)


def test_a_changed_index_is_detected(path):
    """Rows are found through indexes, and no hash covers these."""
    with closing(sqlite3.connect(path)) as connection:
        sql = "SELECT rootpage - 1, page_size FROM sqlite_schema, pragma_page_size() WHERE name = 'manifest_by_ticket'"
        page, size = connection.execute(sql).fetchone()
    data = bytearray(path.read_bytes())
    data[data.index(b"T-1", page * size, (page + 1) * size)] += 1
    path.write_bytes(data)
    assert f"{path}: row 1 missing from index manifest_by_ticket" in damage(path)


def artefact_files(path):
    return sorted(file for file in path.with_name(path.name + ".files").glob("??/*"))


def test_a_flipped_bit_in_an_artefact_is_found_by_verify_and_gate(path):
    for file in artefact_files(path):
        data = bytearray(file.read_bytes())
        data[len(data) // 2] ^= 1
        file.write_bytes(data)
    assert len(damage(path)) == len(artefact_files(path))
    assert all("the file's bytes have changed" in line for line in damage(path))
    with pytest.raises(LedgerDamagedError, match="bytes have changed"):
        CliRunner().invoke(gate, ["T-1", "--ledger", str(path)], standalone_mode=False, catch_exceptions=False)


def test_a_missing_artefact_is_named(path):
    gone = artefact_files(path)[0]
    gone.unlink()
    assert damage(path) == (f"{gone}: the ledger names this file, and it is missing: restore it from a backup",)


def test_files_of_a_stopped_run_are_no_damage(path):
    with Ledger.open_for_writing(path) as ledger:
        ledger.files.write(b"left over")
    result = CliRunner().invoke(verify, ["--ledger", str(path)], standalone_mode=False)
    assert result.return_value == 0
    assert "note: 1 files that no row names, left by a stopped run; harmless" in result.output
    assert "intact; checked" in result.output


def test_a_damaged_artefact_is_written_anew_when_it_is_measured_again(path):
    with Ledger.open_for_writing(path) as ledger:
        sha256 = ledger.files.write(b"whole")
        file = path.with_name(path.name + ".files") / sha256[:2] / sha256
        file.write_bytes(b"whale")
        assert ledger.files.write(b"whole") == sha256
        assert ledger.files.read(sha256) == b"whole"


def test_verify_names_all_damage_and_ends_with_21(path):
    tamper(path, "UPDATE measurement SET value = 0.9 WHERE value = 0.3")
    tamper(path, "UPDATE outcome SET reason = 'x' WHERE id = 2")
    result = CliRunner().invoke(verify, ["--ledger", str(path)], standalone_mode=False)
    assert result.return_value == 21
    assert "measurement centre.sharp_cy_per_px of outcome 1 does not match its hash" in result.output
    assert "outcome 2 (measure_mtf50 of T-1) does not match its hash" in result.output
    assert result.output.endswith(f"{path}: DAMAGED\n")


USED = [
    "UPDATE measurement SET value = 9.0 WHERE value = 0.3",
    "UPDATE measurement SET u = 1e-9 WHERE value = 0.3",
    "UPDATE measurement SET field = 99 WHERE value = 0.3",
    "DELETE FROM measurement WHERE value = 0.3",
    "UPDATE field SET path = 'centre.other_px' WHERE path = 'centre.sharp_cy_per_px'",
    "UPDATE outcome SET status = 'unmeasurable' WHERE id = 1",
    "UPDATE outcome SET caveats = '[\"single_focus\"]' WHERE id = 1",
    "UPDATE outcome SET setting = '[50.0, 2.8, null, null]' WHERE id = 1",
    "UPDATE manifest SET record = replace(record, 'release', 'intake ')",
    "UPDATE manifest SET record = replace(record, 'C50-1', 'C50-2')",
    "UPDATE manifest SET ticket = 'T-1' WHERE ticket = 'T-2'",
    "UPDATE manifest SET ticket = 'T-9' WHERE ticket = 'T-1'",
    "UPDATE manifest SET id = 9 WHERE ticket = 'T-2'",
    "DELETE FROM manifest_outcome WHERE manifest = 1 AND outcome = 1",
    "DELETE FROM manifest WHERE id = 2",
    "UPDATE link SET digest = 'x' WHERE id = 3",
    "DELETE FROM run_end WHERE run = 2",
]


@pytest.mark.parametrize("sql", USED)
def test_judging_finds_damage_in_the_rows_it_uses(path, sql, tmp_path):
    with unguarded(path) as connection:
        assert connection.execute(sql).rowcount > 0
    cards = {MODEL: card_file(tmp_path, LIMITS)}
    with Ledger.open_for_reading(path) as ledger, pytest.raises(LedgerDamagedError, match="restore the ledger"):
        ledger.check_chain()
        judge_tickets(ledger, cards, ToyStand())


GATED = [
    *USED,
    "UPDATE judgement SET verdict = 'REVIEW'",
    "UPDATE judgement SET manifest = 'x'",
    "UPDATE verdict SET verdict = 'FAIL'",
    "UPDATE verdict SET reason = 'x'",
    "DELETE FROM verdict WHERE place = 0",
    "DELETE FROM judgement WHERE id = 2",
    "UPDATE judgement SET ticket = 'T-9' WHERE ticket = 'T-2'",
    "UPDATE measurement SET value = 4.0 WHERE value = 3.0",  # a number no limit speaks of
]


@pytest.mark.parametrize("sql", GATED)
def test_the_gate_finds_damage_in_the_rows_it_uses(path, sql):
    with unguarded(path) as connection:
        assert connection.execute(sql).rowcount > 0
    with pytest.raises(LedgerDamagedError, match="restore the ledger"):
        CliRunner().invoke(gate, ["T-1", "--ledger", str(path)], standalone_mode=False, catch_exceptions=False)


def test_an_index_that_hides_the_latest_manifest_is_detected(path):
    """Else an older manifest, and the judgement that released it, would be believed."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        row = connection.execute("SELECT * FROM sqlite_schema WHERE name = 'manifest_by_ticket'").fetchone()
        connection.execute("DELETE FROM sqlite_schema WHERE name = 'manifest_by_ticket'")
    write_night(path, numbers=("T-1",), phase="intake")
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("INSERT INTO sqlite_schema VALUES (?, ?, ?, ?, ?)", row)
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.latest_tickets(["T-1"])[0].record.ticket.phase == "release"  # the old one, were it not checked
        with pytest.raises(LedgerDamagedError, match="table manifest is damaged"):
            ledger.check_chain()


def what_the_gate_reads(path):
    with Ledger.open_for_reading(path) as ledger:
        ledger.check_chain()
        ledger.check_artefacts("T-1")
        return ledger.latest_tickets(["T-1"]), ledger.latest_judgement("T-1")


def test_random_flips_of_the_files_bits_are_found_or_change_nothing(path, tmp_path):
    """SQLite's own check misses many of these; the hashes must not."""
    before, read = dump(path), what_the_gate_reads(path)
    data = path.read_bytes()
    dice = random.Random(20260301)
    counts = {"found": 0, "nothing changed": 0, "gate found": 0, "gate read the same": 0}
    copy = tmp_path / "flipped" / "bench.ledger"
    shutil.copytree(path.parent, copy.parent)
    for _ in range(FLIPS):
        place = dice.randrange(len(data) * 8)
        flipped = bytearray(data)
        flipped[place // 8] ^= 1 << (place % 8)
        for leftover in copy.parent.glob("bench.ledger-*"):
            leftover.unlink()
        copy.write_bytes(flipped)
        try:
            assert what_the_gate_reads(copy) == read, f"bit {place} changed what the gate reads and was not found"
            counts["gate read the same"] += 1
        except LedgerDamagedError:
            counts["gate found"] += 1
        try:
            found = damage(copy)
        except LedgerDamagedError:
            found = ("cannot be opened",)
        counts["found" if found else "nothing changed"] += 1
        assert found or dump(copy) == before, f"bit {place} changed something and was not found"
    assert counts["found"] > FLIPS / 10, counts
    assert counts["gate found"] > FLIPS / 50, counts
