"""The head file beside a ledger reveals a missing end."""

import json
import multiprocessing
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from glasswright.commands import main as command_line
from glasswright.errors import GlasswrightError, LedgerDamagedError
from glasswright.ledger import Ledger
from glasswright.ledger.head import HeadFile, read_head
from glasswright.ledger.restored import read_restored
from support.ledger_toys import good_outcomes, run_record, ticket_record, write_every_table, write_night


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "shop" / "bench.ledger"
    path.parent.mkdir()
    write_night(path)
    return path


def command(*arguments):
    """Run the command line in this process, and return its exit code and output."""
    runner = CliRunner()
    with runner.isolation() as (out, err, _):
        code = command_line.run_command([str(each) for each in arguments])
        text = out.getvalue() + err.getvalue()
    return code, text.decode()


def accept(path, by="K. Moreau", why="the disk broke"):
    return command("verify", "--ledger", path, "--accept-restored", "--by", by, "--why", why)


def commit(ledger, number):
    run = ledger.begin_run(run_record())
    outcomes = good_outcomes(number)
    ledger.commit_ticket(run, ticket_record(outcomes, number), outcomes)
    return run


def commits(path):
    return HeadFile(path).read().commits


def test_the_head_follows_every_commit(path):
    before = commits(path)
    with Ledger.open_for_writing(path) as ledger:
        run = ledger.begin_run(run_record())
        assert commits(path) == before + 1
        outcomes = good_outcomes("T-2")
        ledger.commit_ticket(run, ticket_record(outcomes, "T-2"), outcomes)
        assert commits(path) == before + 2
        assert HeadFile(path).read() == read_head(ledger.database) == ledger.head()
        ledger.commit_ticket(run, ticket_record(outcomes, "T-2"), outcomes)  # adds nothing
        assert commits(path) == before + 2
    assert str(HeadFile(path).read()) == f"commit {before + 2}, {HeadFile(path).read().digest[:16]}"


def test_a_copy_without_its_wal_file_is_missing_its_end(path, tmp_path):
    copy = tmp_path / "copy" / "bench.ledger"
    with Ledger.open_for_reading(path), Ledger.open_for_writing(path) as ledger:  # the reader keeps the -wal file
        commit(ledger, "T-2")
        shutil.copytree(path.parent, copy.parent)
    with Ledger.open_for_reading(copy) as ledger:
        assert len(ledger.latest_tickets()) == 2
    shutil.copytree(path.parent, copy.parent, dirs_exist_ok=True)
    (copy.parent / "bench.ledger-wal").unlink(missing_ok=True)
    (copy.parent / "bench.ledger-shm").unlink(missing_ok=True)
    restore_backup(path, copy)
    for opening in (Ledger.open_for_reading, Ledger.open_for_writing):
        with pytest.raises(LedgerDamagedError) as caught:
            opening(copy)
        assert "the last commits are missing: the ledger ends with commit 4 of" in str(caught.value)
        assert "its head is commit 6 of" in str(caught.value)
        assert "copied without its file bench.ledger-wal, copy that as well" in str(caught.value)
        assert f"`glasswright verify --ledger {copy} --accept-restored --by NAME --why REASON`" in str(caught.value)


def restore_backup(path, target=None):
    target = target or path
    for end in ("-wal", "-shm"):
        Path(f"{target}{end}").unlink(missing_ok=True)
    shutil.copy(path.with_name("bench.ledger.backup"), target)


ASKING = {
    "gate": ("gate", "T-1", "--ledger", "{ledger}"),
    "verify": ("verify", "--ledger", "{ledger}"),
    "export": ("export", "--ledger", "{ledger}", "--out", "{out}"),
    "pages": ("pages", "--ledger", "{ledger}", "--out", "{out}"),
    "record": ("record", "T-1", "--ledger", "{ledger}", "--out", "{out}/record.pdf"),
    "returned": ("returned", "T-1", "--ledger", "{ledger}", "--by", "K. Moreau", "--why", "soft"),
    "inspected": ("inspected", "T-1", "sound", "--ledger", "{ledger}", "--by", "K. Moreau", "--why", "seen"),
}


@pytest.mark.parametrize("name", ASKING)
def test_no_command_accepts_a_restored_backup(path, tmp_path, name):
    with Ledger.open_for_writing(path) as ledger:
        commit(ledger, "T-2")
    restore_backup(path)
    before = path.read_bytes()
    code, text = command(*(part.format(ledger=path, out=tmp_path / "out") for part in ASKING[name]))
    assert code == 21
    assert "the last commits are missing" in text
    assert "Traceback" not in text
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("out/*"))


def test_a_complete_backup_may_be_restored(path):
    restore_backup(path)
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.verify().damage == ()


def test_the_loss_is_accepted_by_name_and_stays_visible(path):
    with Ledger.open_for_writing(path) as ledger:
        commit(ledger, "T-2")
    lost = HeadFile(path).read()
    restore_backup(path)
    code, text = accept(path)
    assert code == 0
    note = "K. Moreau accepted this ledger without its last commits (the disk broke): the last commits are missing"
    assert note in text
    assert note in command("verify", "--ledger", path)[1]
    with Ledger.open_for_writing(path) as ledger:
        (restored,) = read_restored(ledger)
        assert f"its head is commit {lost.commits} of {lost.made_at}" in restored.finding
        commit(ledger, "T-3")
    code, text = command("verify", "--ledger", path, "--json")
    assert code == 0
    assert note in json.loads(text)["notes"][0]


def test_an_acceptance_needs_a_loss_and_a_name(path, tmp_path):
    code, text = accept(path)
    assert code == 2
    assert "the ledger and its head match: there is nothing to accept" in text
    assert command("verify", "--ledger", path, "--accept-restored")[0] == 2
    assert command("verify", "--ledger", path, "--accept-restored", "--by", "K. Moreau", "--why", " ")[0] == 2
    assert command("verify", "--ledger", path, "--by", "K. Moreau", "--why", "the disk broke")[0] == 2
    assert accept(tmp_path / "none.ledger")[0] == 21
    assert not (tmp_path / "none.ledger").exists()


def test_an_acceptance_covers_no_other_damage(path):
    HeadFile(path).path.unlink()
    data = path.read_bytes()
    path.write_bytes(data.replace(b"glasswright run", b"glasswright fun"))
    code, text = accept(path)
    assert code == 21
    assert "run 1 does not match its hash" in text
    assert not HeadFile(path).path.exists()


def test_a_writer_that_dies_between_its_commit_and_the_head_does_no_harm(path, monkeypatch):
    before = commits(path)
    with Ledger.open_for_writing(path) as ledger, monkeypatch.context() as patch:
        patch.setattr(HeadFile, "write", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            ledger.begin_run(run_record())
        assert commits(path) == before
        with pytest.raises(KeyboardInterrupt):  # no further commit before the head lies on the disk
            ledger.begin_run(run_record())
        assert ledger.head().commits == before + 1
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.head().commits == before + 1
    assert commits(path) == before
    with Ledger.open_for_writing(path):
        assert commits(path) == before + 1


def test_a_head_that_cannot_be_written_is_reported(path, monkeypatch):
    with Ledger.open_for_writing(path) as ledger:
        monkeypatch.setattr(
            "glasswright.ledger.head.write_whole", lambda *_: (_ for _ in ()).throw(OSError(28, "full"))
        )
        with pytest.raises(
            GlasswrightError, match=r"the head bench\.ledger\.head cannot be written \(full\): make room"
        ):
            ledger.begin_run(run_record())


def test_a_new_ledger_without_its_first_head_is_continued(tmp_path, monkeypatch):
    path = tmp_path / "bench.ledger"
    with monkeypatch.context() as patch:
        patch.setattr(HeadFile, "write", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            Ledger.open_for_writing(path)
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.latest_tickets() == ()
    write_night(path)


def corrupt_head(path, tmp_path, how):
    head = HeadFile(path).path
    if how == "gone":
        head.unlink()
    elif how == "of another ledger":
        other = tmp_path / "other.ledger"
        write_night(other)
        shutil.copy(HeadFile(other).path, head)
    elif how == "of another ledger that is longer":
        other = tmp_path / "other.ledger"
        for number in ("T-1", "T-2", "T-3"):
            write_night(other, numbers=(number,))
        shutil.copy(HeadFile(other).path, head)
    elif how == "older":
        text = head.read_text(encoding="utf-8")
        write_night(path, numbers=("T-2",))
        head.write_text(text, encoding="utf-8")
    elif how == "empty":
        head.write_text("", encoding="utf-8")


CHANGED = {
    "gone": r"the head bench\.ledger\.head is missing: copy bench\.ledger\.head as well",
    "of another ledger": "is of another ledger, or of another history of this one",
    "of another ledger that is longer": "is of another ledger, or of another history of this one",
    "older": r"is older than the ledger \(commit 4 of 7\)",
    "empty": "has been changed",
}


@pytest.mark.parametrize("how", CHANGED)
def test_a_head_of_another_ledger_is_detected_and_can_be_replaced(path, tmp_path, how):
    corrupt_head(path, tmp_path, how)
    for opening in (Ledger.open_for_reading, Ledger.open_for_writing):
        with pytest.raises(LedgerDamagedError, match=CHANGED[how]):
            opening(path)
    assert accept(path)[0] == 0
    with Ledger.open_for_writing(path) as ledger:
        assert len(read_restored(ledger)) == 1


def test_any_change_of_the_head_is_detected(path):
    head = HeadFile(path).path
    data = head.read_bytes()
    for place in range(len(data)):
        changed = bytearray(data)
        changed[place] ^= 1 << (place % 8)
        head.write_bytes(changed)
        with pytest.raises(LedgerDamagedError, match="head"):
            Ledger.open_for_reading(path)
    head.write_bytes(data)
    Ledger.open_for_reading(path).database.close()


def test_a_ledger_that_is_moved_with_all_its_files_is_the_same(path, tmp_path):
    path.parent.rename(tmp_path / "moved")
    moved = tmp_path / "moved" / "bench.ledger"
    write_night(moved, numbers=("T-2",))
    with Ledger.open_for_reading(moved) as ledger:
        assert ledger.verify().damage == ()
        ledger.check_artefacts("T-1")
    for each in list(moved.parent.glob("bench.ledger*")):
        each.rename(each.with_name(each.name.replace("bench", "other")))
    with Ledger.open_for_reading(moved.with_name("other.ledger")) as ledger:
        assert ledger.verify().damage == ()


def test_a_missing_ledger_is_not_begun_anew_beside_its_head(path):
    path.unlink()
    with pytest.raises(
        LedgerDamagedError, match=r"the ledger is missing, but its head .* restore the ledger from a backup"
    ):
        Ledger.open_for_writing(path)
    assert not path.exists()


def _write_many(path, ready):
    with Ledger.open_for_writing(Path(path)) as ledger:
        ready.set()
        for number in range(40):
            commit(ledger, f"T-{number:03}")


def test_a_reader_beside_a_writer_never_reports_a_missing_end(path):
    context = multiprocessing.get_context("spawn")
    ready = context.Event()
    writer = context.Process(target=_write_many, args=(str(path), ready))
    writer.start()
    assert ready.wait(60)
    seen = set()
    while writer.is_alive():
        with Ledger.open_for_reading(path) as ledger:
            seen.add(ledger.head().commits)
    writer.join()
    assert writer.exitcode == 0
    assert len(seen) > 5


def test_a_head_covers_every_table(tmp_path):
    """Two ledgers that are written alike have heads of their own: a head names one ledger."""
    heads = []
    for name in ("one", "two"):
        write_every_table(tmp_path / name, tmp_path)
        heads.append(HeadFile(tmp_path / name).read())
    assert heads[0].commits == heads[1].commits
    assert heads[0].ledger != heads[1].ledger
    assert heads[0].digest != heads[1].digest
