"""A damaged ledger is not written to, and only a sound backup replaces another."""

import shutil

import pytest

from glasswright.errors import LedgerDamagedError
from glasswright.ledger import Ledger, verifying
from glasswright.ledger.backup import KEPT, list_backups
from glasswright.ledger.verifying import SHARES
from support.ledger_tampering import dump, tamper
from support.ledger_toys import run_record, write_night


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "bench.ledger"
    write_night(path)
    return path


def files_beside(path):
    """Return name -> bytes of the files beside a ledger, without those that opening leaves."""
    left = tuple(f"{path.name}{end}" for end in ("-shm", "-wal", ".lock"))
    found = [each for each in path.parent.glob(f"{path.name}*") if each.is_file() and each.name not in left]
    return {each.name: each.read_bytes() for each in found}


def test_the_last_backups_are_kept_the_latest_first(path):
    for number in range(2, KEPT + 3):
        write_night(path, numbers=(f"T-{number}",))
    tickets = [len(dump(backup)["manifest"]) for backup in list_backups(path)]
    assert tickets == [KEPT + 2, KEPT + 1, KEPT]
    assert sorted(each.name for each in path.parent.glob("*.backup*")) == [
        "bench.ledger.backup",
        "bench.ledger.backup-2",
        "bench.ledger.backup-3",
    ]


DAMAGE = [
    "UPDATE run SET machine = 'x' WHERE id = 1",
    "UPDATE outcome SET hash = 'x' WHERE id = 2",
    "DELETE FROM manifest WHERE id = 1",
    "UPDATE link SET digest = 'x' WHERE id = 2",
]


@pytest.mark.parametrize("sql", DAMAGE)
def test_nothing_is_written_to_a_ledger_whose_chain_is_damaged(path, sql):
    tamper(path, sql)
    before = files_beside(path)
    with pytest.raises(LedgerDamagedError, match="restore the ledger from a backup"):
        Ledger.open_for_writing(path)
    assert files_beside(path) == before


def measure_again(path, damage):
    """Begin a run, corrupt a row that it does not read, and end the run."""
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        tamper(path, damage)
        ledger.end_run(run, {})


def test_a_copy_that_is_not_sound_replaces_no_backup(path):
    write_night(path, numbers=("T-2",))
    backups = [each.read_bytes() for each in list_backups(path) if each.exists()]
    assert len(backups) == 2
    with pytest.raises(LedgerDamagedError, match="a new backup would be damaged, so the earlier"):
        measure_again(path, "UPDATE manifest SET folder = '/elsewhere' WHERE id = 2")
    assert [each.read_bytes() for each in list_backups(path) if each.exists()] == backups
    assert not path.with_name("bench.ledger.backup.new").exists()


def test_new_rows_are_checked_in_full_before_a_backup_is_replaced(path):
    with Ledger.open_for_writing(path) as ledger:
        ledger.end_run(ledger.begin_run(run_record()), {}, backup=False)
    list_backups(path)[0].unlink()
    with pytest.raises(LedgerDamagedError, match=r"measurement .* does not match its hash"):
        measure_again(path, "UPDATE measurement SET value = value * 1.5 WHERE outcome = 1 AND kind = 'number'")


def test_old_rows_are_checked_again_in_turn(path):
    tamper(path, "UPDATE measurement SET value = value * 1.5 WHERE outcome = 1 AND kind = 'number'")
    for number in range(2, SHARES + 3):
        try:
            write_night(path, numbers=(f"T-{number}",))
        except LedgerDamagedError as error:
            assert "a new backup would be damaged" in str(error)
            break
    assert number <= SHARES + 1


def test_a_check_holds_few_outcomes_in_memory(path, monkeypatch):
    held = []
    check = verifying.check_all_measurements
    monkeypatch.setattr(verifying, "OUTCOMES_AT_A_TIME", 2)
    monkeypatch.setattr(
        verifying, "check_all_measurements", lambda database, rows: held.append(len(rows)) or check(database, rows)
    )
    list_backups(path)[0].unlink()
    write_night(path, numbers=("T-2", "T-3"))
    assert sum(held) == len(dump(path)["outcome"])
    assert max(held) == 2


def test_an_unreadable_backup_does_not_prevent_the_next(path):
    list_backups(path)[0].write_bytes(b"GIF89a" * 500)
    write_night(path, numbers=("T-2",))
    assert dump(list_backups(path)[0]) == dump(path)


def test_a_restored_backup_is_written_to_once_accepted(path, tmp_path):
    shutil.copy(list_backups(path)[0], tmp_path / "kept")
    write_night(path, numbers=("T-2",))
    shutil.copy(tmp_path / "kept", path)
    with pytest.raises(LedgerDamagedError, match="the last commits are missing"):
        write_night(path, numbers=("T-3",))
