"""The ledger: data are read back once, completely, and never overwritten."""

import dataclasses
import errno
import json
import math
import multiprocessing
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from glasswright.errors import GlasswrightError, LedgerBusyError, LedgerDamagedError
from glasswright.judging.judge import judge_ticket
from glasswright.ledger import Ledger
from glasswright.ledger.place import LedgerPlaceError, check_place, find_mount
from glasswright.ledger.schema import migrations, split_statements
from glasswright.plugin.outcome import Status
from support.ledger_tampering import TABLES, columns, dump
from support.ledger_toys import (
    F2,
    F4,
    METHOD_TEXT,
    MODEL,
    STAND_TEXT,
    ToyStand,
    card_file,
    falloff,
    good_outcomes,
    outcome,
    run_record,
    sharpness,
    ticket_record,
    write_every_table,
    write_night,
)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "bench.ledger"


def counts(path):
    return {table: len(rows) for table, rows in dump(path).items() if table in TABLES}


def test_outcomes_come_back(path):
    outcomes = [sharpness(0.3, caveats=("single_focus",), notes=("a note",)), falloff(1.2), outcome("other", F4)]
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        ledger.commit_ticket(run, ticket_record(outcomes), outcomes)
        found = ledger.find([each.address for each in outcomes] + ["nowhere"])
        assert found == {each.address: dataclasses.replace(each, artefact=None) for each in outcomes}
        kept = ledger.load_artefact(outcomes[0].address)
    assert kept.centre == outcomes[0].artefact.centre
    assert np.array_equal(kept.curve, outcomes[0].artefact.curve)


def test_a_crash_keeps_its_traceback(path):
    crashed = outcome("other", status=Status.CRASHED, traceback="Traceback ...", reason="ZeroDivisionError: division")
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        ledger.commit_ticket(run, ticket_record([crashed]), [crashed])
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.find([crashed.address])[crashed.address] == crashed
        with pytest.raises(LedgerDamagedError, match="has no artefact at the address"):
            ledger.load_artefact(crashed.address)


def test_a_ticket_comes_back_with_the_measurements_asked_for(path):
    outcomes = [sharpness(0.3), falloff(math.nan), outcome("other", F4)]
    record = ticket_record(outcomes, rehearsed=True, remarks="hood on")
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        ledger.commit_ticket(run, record, outcomes)
    with Ledger.open_for_reading(path) as ledger:
        (some,) = ledger.latest_tickets(["T-1", "T-9"], ["measure_mtf50.centre.sharp_cy_per_px"])
        (all_of_it,) = ledger.latest_tickets()
    assert some.record == dataclasses.replace(record, manifest=())
    by_step = {each.step: each for each in some.outcomes}
    assert by_step["measure_vignetting"].measured == {}
    (measured,) = by_step["measure_mtf50"].measured.values()
    assert (measured.value, measured.u, measured.unit) == (0.3, 0.006, "cycles/pixel")
    assert by_step["other"].reason == "lacks a chart shot"
    every = {each.step: each.measured for each in all_of_it.outcomes}
    assert every["measure_mtf50"]["chart"].text == "lattice_13x9"
    assert every["measure_mtf50"]["centre.count"].value == 3
    assert math.isnan(every["measure_vignetting"]["corner_loss_ev"].value)


def test_the_same_ticket_again_adds_nothing_but_the_run(path):
    write_night(path)
    first = counts(path)
    write_night(
        path,
        make=lambda number: [dataclasses.replace(each, seconds=9.0) for each in good_outcomes(number)],
        folder="/elsewhere/T-1",
    )
    second = counts(path)
    assert second == {**first, "run": 2, "run_end": 2, "link": first["link"] + 2}


def test_a_manifest_may_refer_to_stored_outcomes(path):
    write_night(path)
    outcomes = good_outcomes()
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        ledger.commit_ticket(run, ticket_record([*outcomes, falloff(2.0, ticket="x")]), [falloff(2.0, ticket="x")])
    with Ledger.open_for_reading(path) as ledger:
        assert len(ledger.latest_tickets()[0].outcomes) == 5


def test_a_manifest_cannot_refer_to_missing_outcomes(path):
    outcomes = good_outcomes()
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        with pytest.raises(GlasswrightError, match=r"ticket T-1: its manifest names the address .* no outcome"):
            ledger.commit_ticket(run, ticket_record(outcomes), outcomes[:-1])
        assert ledger.latest_tickets() == ()  # and nothing of it was kept
        assert ledger.find([each.address for each in outcomes]) == {}


def test_the_latest_manifest_describes_the_ticket_also_when_it_returns_to_an_older_one(path):
    for value in (0.30, 0.20, 0.30):
        write_night(path, make=lambda number, value=value: [sharpness(value, ticket=number, address=f"a{value}")])
    with Ledger.open_for_reading(path) as ledger:
        (now,) = ledger.latest_tickets()
        assert now.outcomes[0].measured["centre.sharp_cy_per_px"].value == 0.30
    assert counts(path)["manifest"] == 3
    assert counts(path)["outcome"] == 2


def test_a_value_measured_again_stands_beside_the_old_one_and_is_the_one_found(path):
    write_night(path, make=lambda number: [outcome("measure_mtf50", ticket=number, status=Status.CRASHED, address="a")])
    write_night(path, make=lambda number: [sharpness(0.3, ticket=number, address="a")])
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.find(["a"])["a"].status is Status.DONE
        assert ledger.latest_tickets()[0].outcomes[0].status is Status.DONE
    assert counts(path)["outcome"] == 2


def test_outcomes_of_the_night_are_kept_and_are_no_ticket(path):
    write_night(path, numbers=("",), make=lambda number: [outcome("stand", None, ticket=number)])
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.latest_tickets() == ()
        assert not ledger.verify().damage


def test_one_number_for_two_lenses_is_recorded(path):
    write_night(path, serial="C50-1")
    write_night(path, serial="C50-2")
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.latest_tickets()[0].other_lenses == (f"{MODEL}, serial C50-1",)


def test_content_is_the_same_whatever_runs_times_order_and_seconds(tmp_path):
    one, other, third = (tmp_path / name for name in ("one", "other", "third"))
    write_night(one, numbers=("T-1", "T-2"))
    with Ledger.open_for_writing(other) as ledger:  # two runs, the first killed before its end; another order
        for numbers in (("T-2",), ("T-1", "T-2")):
            run = ledger.begin_run(run_record(started_at="2027-01-01T00:00:00+00:00", command="again"))
            for number in numbers:
                outcomes = [dataclasses.replace(each, seconds=7.0) for each in good_outcomes(number)]
                record = ticket_record(outcomes, number, folder="/moved")
                ledger.commit_ticket(run, record, reversed(outcomes))
        ledger.end_run(run, {})
    write_night(third, numbers=("T-1", "T-2"), make=lambda number: [sharpness(0.31, ticket=number)])
    digests = []
    for path in (one, other, third):
        with Ledger.open_for_reading(path) as ledger:
            digests.append(ledger.content_digest())
    assert digests[0] == digests[1]
    assert digests[0] != digests[2]


def test_judgements_are_part_of_the_content_and_come_back(path, tmp_path):
    write_night(path)
    with Ledger.open_for_writing(path) as ledger:
        before = ledger.content_digest()
        limits = ["{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}"]
        judgement = judge_ticket(ledger.latest_tickets()[0], card_file(tmp_path, limits), ToyStand())
        for _ in range(2):  # the second time adds nothing
            run = ledger.begin_run(run_record("glasswright judge"))
            ledger.add_judgements(run, [judgement])
            ledger.end_run(run, {})
        assert ledger.latest_judgement("T-1") == judgement
        assert ledger.latest_judgement("T-2") is None
        assert ledger.content_digest() != before
        assert ledger.choose_new_judgements([judgement]) == ()
    assert counts(path)["judgement"] == 1
    assert counts(path)["verdict"] == 2


def test_the_latest_judgement_is_the_last_written(path, tmp_path):
    write_night(path)
    with Ledger.open_for_writing(path) as ledger:
        state = ledger.latest_tickets()[0]
        for least in (0.2, 0.9, 0.2):
            limits = [f"{{measure: measure_mtf50.centre.sharp_cy_per_px, min: {least}}}"]
            judgement = judge_ticket(state, card_file(tmp_path, limits), ToyStand())
            ledger.add_judgements(ledger.begin_run(run_record()), [judgement])
            assert ledger.latest_judgement("T-1") == judgement
    assert counts(path)["judgement"] == 3


def test_each_commit_is_chained_to_the_one_before(path):
    write_night(path)
    write_night(path, numbers=("T-2",))
    rows = dump(path)["link"]
    assert [row[0] for row in rows] == list(range(1, 8))  # the new ledger; each night's begin, its ticket and its end
    assert [row[3] for row in rows[1:]] == [row[4] for row in rows[:-1]]
    assert len({row[4] for row in rows}) == 7


def test_a_killed_run_is_closed_by_the_next(path):
    with Ledger.open_for_writing(path) as ledger:
        ledger.begin_run(run_record())
    write_night(path)
    ends = dump(path)["run_end"]
    assert [row[2] for row in ends] == [0, 1]
    with Ledger.open_for_reading(path) as ledger:
        assert not ledger.verify().damage


def test_the_backup_is_a_ledger_with_the_same_content(path):
    write_night(path)
    backup = path.with_name("bench.ledger.backup")
    assert dump(backup) == dump(path)
    write_night(path, numbers=("T-2",))
    assert dump(backup) == dump(path)
    assert not list(path.parent.glob("*.part"))


@pytest.mark.parametrize("table", TABLES)
def test_no_row_can_be_changed_or_deleted(path, tmp_path, table):
    write_every_table(path, tmp_path)
    before = dump(path)
    column = next(name for of, name, _ in columns(path) if of == table)
    with closing(sqlite3.connect(path)) as connection:
        for sql in (f"UPDATE {table} SET {column} = {column}", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.IntegrityError, match="the ledger is append-only"):
                connection.execute(sql)
    assert before[table]
    assert dump(path) == before


def test_replacing_a_row_is_refused_by_the_ledgers_own_connection(path):
    write_night(path)
    with Ledger.open_for_writing(path) as ledger, pytest.raises(sqlite3.IntegrityError, match="append-only"):
        ledger.database.rows("INSERT OR REPLACE INTO run SELECT * FROM run")


def test_a_wrong_type_or_a_row_without_its_parent_is_refused(path):
    write_night(path)
    with Ledger.open_for_writing(path) as ledger:
        with pytest.raises(sqlite3.IntegrityError, match="cannot store TEXT value in REAL column"):
            ledger.database.insert("measurement", 1, 99, "number", "much", None, 0.1, b"")
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"), ledger.database.transaction():
            ledger.database.insert("manifest_outcome", 77, 88)


def test_the_database_is_set_up_for_durability(path):
    with Ledger.open_for_writing(path) as ledger:
        pragmas = {
            name: ledger.database.rows(f"PRAGMA {name}")[0][0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "user_version")
        }
        strict = ledger.database.rows("SELECT name, strict FROM pragma_table_list WHERE name NOT LIKE 'sqlite%'")
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "user_version": len(migrations())}
    assert set(dict(strict)) >= set(TABLES)
    assert set(dict(strict).values()) == {1}


def test_every_file_of_sql_is_numbered_in_order():
    names = sorted(each.name for each in Path(sys.modules["glasswright.ledger"].__file__).parent.glob("*.sql"))
    numbers = [name.partition("_")[0] for name in names]
    assert all(len(number) == 4 for number in numbers)
    assert len(set(numbers)) == len(names)


def test_a_migration_is_split_after_each_statement_and_not_within_a_trigger():
    trigger = "CREATE TRIGGER c BEFORE DELETE ON a BEGIN\n  SELECT 1;\nEND;\n"
    text = "-- first; really\nCREATE TABLE a (\n  b TEXT\n);\n" + trigger
    first, second = split_statements(text)
    assert first.endswith(");\n")
    assert second == trigger
    assert sqlite3.complete_statement(second)


def test_a_ledger_of_a_newer_program_is_refused(path):
    write_night(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    for opening in (Ledger.open_for_reading, Ledger.open_for_writing):
        with pytest.raises(
            LedgerDamagedError, match=f"has schema 99, this program has {len(migrations())}: it needs a newer"
        ):
            opening(path)
    with closing(sqlite3.connect(path)) as connection:  # and it was left alone
        assert connection.execute("PRAGMA user_version").fetchone() == (99,)


def test_an_older_ledger_is_copied_and_brought_up_to_date_by_a_writer_alone(path, monkeypatch):
    write_night(path)
    newer = [*migrations(), ["CREATE TABLE extra (a TEXT) STRICT;\n"]]
    monkeypatch.setattr("glasswright.ledger.store.migrations", lambda: newer)
    with pytest.raises(LedgerDamagedError, match="to be brought up to date by `glasswright run`"):
        Ledger.open_for_reading(path)
    with Ledger.open_for_writing(path) as ledger:
        assert ledger.database.rows("SELECT count(*) FROM extra") == [(0,)]
        assert ledger.database.rows("PRAGMA user_version") == [(len(newer),)]
    with closing(sqlite3.connect(path.with_name(f"bench.ledger.schema-{len(newer) - 1}"))) as connection:
        assert connection.execute("SELECT count(*) FROM outcome").fetchone() == (4,)


def test_a_failed_migration_leaves_the_ledger_as_it_was(path, monkeypatch):
    write_night(path)
    before = dump(path)
    monkeypatch.setattr(
        "glasswright.ledger.store.migrations", lambda: [*migrations(), ["CREATE TABLE x (a);\n", "nonsense;\n"]]
    )
    with pytest.raises(LedgerDamagedError, match="syntax error"):
        Ledger.open_for_writing(path)
    monkeypatch.undo()
    assert dump(path) == before
    with Ledger.open_for_writing(path):
        pass


def test_a_file_that_is_no_ledger_is_refused(path, tmp_path):
    with pytest.raises(LedgerDamagedError, match="there is no ledger here"):
        Ledger.open_for_reading(path)
    path.write_bytes(b"GIF89a" * 500)
    for opening in (Ledger.open_for_reading, Ledger.open_for_writing):
        with pytest.raises(LedgerDamagedError, match="file is not a database"):
            opening(path)
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE mine (a)")
    for opening in (Ledger.open_for_reading, Ledger.open_for_writing):
        with pytest.raises(LedgerDamagedError, match="not a ledger of this program"):
            opening(other)


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(LedgerPlaceError, match=r"there is no folder .*/no: make it, or correct --ledger"):
        Ledger.open_for_writing(tmp_path / "no" / "bench.ledger")


MOUNTS = r"""22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/root rw
40 22 0:35 / /mnt/shop rw,relatime shared:20 - nfs4 server:/shop rw,vers=4.2
41 40 0:36 / /mnt/shop/local rw - xfs /dev/sdb rw
42 22 0:37 / /mnt/my\040share rw - cifs //server/share rw
43 22 0:38 / /mnt/over rw - ext4 /dev/sdc rw
44 22 0:39 / /mnt/over rw - fuse.sshfs me@server: rw
"""  # the form of proc_pid_mountinfo(5)


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/home/bench.ledger", "ext4"),
        ("/mnt/shop/bench.ledger", "nfs4"),
        ("/mnt/shop/local/bench.ledger", "xfs"),
        ("/mnt/shopping/bench.ledger", "ext4"),
        ("/mnt/my share/bench.ledger", "cifs"),
        ("/mnt/over/bench.ledger", "fuse.sshfs"),
    ],
)
def test_the_mount_of_a_path_is_found(path, kind):
    assert find_mount(Path(path), MOUNTS)[1] == kind


def test_a_network_file_system_is_refused(tmp_path):
    mounts = tmp_path / "mountinfo"
    mounts.write_text(f"40 22 0:35 / {tmp_path.resolve()} rw - nfs4 server:/shop rw\n", encoding="utf-8")
    with pytest.raises(
        LedgerPlaceError, match=r"is a network file system \(nfs4\).*: keep the ledger on a disk of this"
    ):
        check_place(tmp_path / "bench.ledger", mounts)
    check_place(tmp_path / "bench.ledger", tmp_path / "no such table")


def test_a_second_writer_gets_the_name_of_the_first(path):
    program = (
        "import sys, time; from pathlib import Path; from glasswright.ledger import Ledger\n"
        "ledger = Ledger.open_for_writing(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)"
    )
    holder = subprocess.Popen([sys.executable, "-c", program, path], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(LedgerBusyError) as caught:
            Ledger.open_for_writing(path)
        for part in (
            f"process {holder.pid} on {socket.gethostname()}, started 20",
            f"`-c {path}`",
            "Wait for it to end",
        ):
            assert part in str(caught.value)
        assert caught.value.exit_code == 20
        with Ledger.open_for_reading(path) as ledger:  # a reader does not block
            assert ledger.latest_tickets() == ()
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()
    with Ledger.open_for_writing(path):  # the kernel released the lock
        pass


def test_the_holders_name_replaces_a_longer_one(path):
    path.with_name("bench.ledger.lock").write_text("x" * 5000, encoding="utf-8")
    with Ledger.open_for_writing(path), pytest.raises(LedgerBusyError, match=f"process {os.getpid()} on"):
        Ledger.open_for_writing(path)


def test_a_failed_opening_lets_the_lock_go(path):
    path.write_bytes(b"GIF89a" * 500)
    with pytest.raises(LedgerDamagedError):
        Ledger.open_for_writing(path)
    path.unlink()
    with Ledger.open_for_writing(path):
        pass


def test_a_reader_has_a_consistent_snapshot(path):
    write_night(path)
    with Ledger.open_for_reading(path) as reader:
        assert len(reader.latest_tickets()) == 1
        write_night(path, numbers=("T-2",))
        assert len(reader.latest_tickets()) == 1
    with Ledger.open_for_reading(path) as reader:
        assert len(reader.latest_tickets()) == 2


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_disk_that_fails_at_any_write_leaves_a_sound_ledger_and_the_next_try_works(path, monkeypatch, call):
    write_night(path, numbers=("T-0",))
    # four files and their four folders and the folder of those, but for folders that two names share; the head and its
    real, artefact_calls, head_calls = {"fsync": (os.fsync, 8, 2), "replace": (Path.replace, 4, 1)}[call]
    failed, turn = Counter(), threading.Lock()
    for failing in range(1, 100):
        outcomes = [sharpness(failing + part, F2, address=f"{part}") for part in (0.1, 0.2, 0.3, 0.4)]
        count = 0

        def fail(*arguments, failing=failing):
            nonlocal count
            with turn:  # the files of a ticket are synced side by side
                count += 1
                fails = count == failing
            if fails:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return real(*arguments)

        with Ledger.open_for_writing(path) as ledger:
            run = ledger.begin_run(run_record())
            monkeypatch.setattr(os if call == "fsync" else Path, call, fail)
            try:
                ledger.commit_ticket(run, ticket_record(outcomes), outcomes)
                break
            except GlasswrightError as error:
                assert "cannot be written (No space left on device): make room" in str(error)
                what = "head" if "the head" in str(error) else "artefact"
            finally:
                monkeypatch.undo()
            failed[what] += 1
            # the head is written after the commit: a ticket that is kept stays so, whatever becomes of the head
            assert len(ledger.latest_tickets()) == (2 if what == "head" else 1)
            assert ledger.verify().damage == ()
    # each write of the four artefacts and the head failed in its turn
    assert failed["artefact"] >= artefact_calls
    assert failed["head"] == head_calls
    with Ledger.open_for_reading(path) as ledger:
        assert len(ledger.latest_tickets()) == 2
        assert ledger.verify().damage == ()


def test_a_full_disk_is_reported_and_nothing_partial_is_stored(path):
    write_night(path, numbers=("T-0",))
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        pages = ledger.database.rows("PRAGMA page_count")[0][0]
        ledger.database.rows(f"PRAGMA max_page_count = {pages}")
        outcomes = [sharpness(0.3, notes=("x" * 100_000,))]
        with pytest.raises(GlasswrightError, match="the disk is full: make room and run again; nothing kept is lost"):
            ledger.commit_ticket(run, ticket_record(outcomes), outcomes)
        assert len(ledger.latest_tickets()) == 1
        assert ledger.verify().damage == ()


def _write_for_ever(path, ready):
    with Ledger.open_for_writing(Path(path)) as ledger:
        run = ledger.begin_run(run_record())
        done = len(ledger.latest_tickets())
        ready.set()
        for number in range(done, 10_000):
            outcomes = good_outcomes(f"T-{number:05}")
            ledger.commit_ticket(run, ticket_record(outcomes, f"T-{number:05}"), outcomes)


def test_a_writer_killed_again_and_again_leaves_whole_tickets_only(path):
    context = multiprocessing.get_context("spawn")
    seen = 0
    for kill in range(5):
        ready = context.Event()
        writer = context.Process(target=_write_for_ever, args=(str(path), ready))
        writer.start()
        assert ready.wait(60)
        time.sleep(0.05 + 0.037 * kill)
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        with Ledger.open_for_reading(path) as ledger:
            states = ledger.latest_tickets()
            assert ledger.verify().damage == ()
        assert len(states) >= seen
        seen = len(states)
        assert all(len(state.outcomes) == 4 for state in states)
    assert seen > 5
    fresh = path.with_name("undisturbed.ledger")
    write_night(fresh, numbers=[f"T-{number:05}" for number in range(seen)])
    with Ledger.open_for_writing(path) as ledger, Ledger.open_for_reading(fresh) as undisturbed:
        ledger.end_run(ledger.begin_run(run_record()), {})
        assert ledger.content_digest() == undisturbed.content_digest()
        assert ledger.verify().damage == ()


def test_every_setting_reads_back_unchanged(path):
    settings = (F2, dataclasses.replace(F2, focus_distance_m=1 / 3), dataclasses.replace(F4, exposure_time_s=0.1), None)
    outcomes = [sharpness(0.3, setting) for setting in settings]
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        ledger.commit_ticket(run, ticket_record(outcomes, settings=settings[:-1]), outcomes)
        (state,) = ledger.latest_tickets()
    assert {each.setting for each in state.outcomes} == set(settings)
    assert state.record.settings == settings[:-1]


def test_the_versions_and_documents_of_a_run_are_kept(path):
    write_night(path)
    rows = dump(path)
    assert json.loads(rows["run"][0][4]) == {"numpy": "2.4"}
    assert {row[4] for row in rows["document"]} == {"plan: fixed_focal\n", METHOD_TEXT, STAND_TEXT}


def test_the_state_of_an_attempt_is_kept_once_and_each_beginning(path):
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        for _ in range(2):
            ledger.begin_ticket(run, "T-1", "/night/T-1")
        for _ in range(2):
            ledger.stop_tickets(run, ["T-1"])
        ledger.refuse_tickets(run, ["T-1"], "/night/T-1", "no ticket.yaml")
        ledger.refuse_tickets(run, ["T-1"], "/night/T-1", "no ticket.yaml")
        ledger.refuse_tickets(run, ["T-1"], "/night/T-1", "no lens")
        rows = ledger.database.rows("SELECT state, reason FROM attempt ORDER BY id")
    begun, stopped = ("begun", ""), ("stopped", "")
    assert rows == [begun, begun, stopped, ("refused", "no ticket.yaml"), ("refused", "no lens")]
