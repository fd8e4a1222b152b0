"""A read-only ledger can be queried, and a full disk is reported."""

import shutil
import subprocess
from contextlib import suppress

import pytest
from click.testing import CliRunner

from glasswright.commands import main as command_line
from glasswright.ledger import Ledger
from support.ledger_toys import MODEL, STAND_TEXT, run_record, write_card, write_every_table, write_night


def command(*arguments):
    """Run the command line in this process, and return its exit code and output."""
    runner = CliRunner()
    with runner.isolation() as (out, err, _):
        code = command_line.run_command([str(each) for each in arguments])
        text = out.getvalue() + err.getvalue()
    return code, text.decode()


@pytest.fixture
def disk(tmp_path):
    """A small disk of its own, and how to mount it again with other options."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", folder], check=False).returncode:
        pytest.skip("mounting is not permitted here")
    yield folder
    subprocess.run(["umount", folder], check=True)


def make_read_only(disk):
    subprocess.run(["mount", "-o", "remount,ro", disk], check=True)


def cards_and_stand(tmp_path):
    write_card(tmp_path / "cards" / "card.yaml", ["{measure: measure_mtf50.centre.sharp_cy_per_px, min: 0.2}"])
    (tmp_path / "stand.yaml").write_text(STAND_TEXT, encoding="utf-8")
    return "--cards", tmp_path / "cards", "--stand", tmp_path / "stand.yaml"


ASKING = {
    "gate": ("gate", "T-1", "--ledger", "{ledger}"),
    "verify": ("verify", "--ledger", "{ledger}"),
    "export": ("export", "--ledger", "{ledger}", "--out", "{out}"),
    "pages": ("pages", "--ledger", "{ledger}", "--out", "{out}", "--workers", "1"),
    "record": ("record", "T-1", "--ledger", "{ledger}", "--out", "{out}.pdf"),
}


def ask(name, ledger, out):
    return command(*(part.format(ledger=ledger, out=out) for part in ASKING[name]))


@pytest.mark.parametrize("name", ASKING)
def test_a_ledger_on_a_read_only_disk_can_be_read(disk, tmp_path, name):
    path = disk / "bench.ledger"
    write_every_table(path, tmp_path)
    expected = ask(name, path, tmp_path / "out")
    make_read_only(disk)
    assert ask(name, path, tmp_path / "out") == expected
    assert expected[0] == 0
    assert {each.name for each in disk.iterdir()} >= {"bench.ledger", "bench.ledger.head"}


def test_a_read_only_ledger_is_judged_without_storing(disk, tmp_path):
    path = disk / "bench.ledger"
    write_night(path)
    make_read_only(disk)
    options = cards_and_stand(tmp_path)
    code, text = command("judge", "--ledger", path, *options)
    assert code == 2
    assert "with --no-keep the ledger is only read" in text
    code, text = command("judge", "--ledger", path, *options, "--no-keep")
    assert "1 ticket judged, 1 judgement new, not kept" in text
    assert MODEL not in text
    assert code in (0, 10, 11, 12)
    with Ledger.open_for_reading(path) as ledger:
        assert ledger.latest_judgement("T-1") is None


def test_what_is_only_in_the_log_of_a_read_only_ledger_is_read_too(disk, tmp_path):
    """As after a power cut: commits that only the -wal file has, and no index of it."""
    path = tmp_path / "bench.ledger"
    write_night(path)
    with Ledger.open_for_reading(path), Ledger.open_for_writing(path) as ledger:
        ledger.begin_run(run_record())
        for end in ("", "-wal", ".head"):
            shutil.copy(f"{path}{end}", disk)
    assert (disk / "bench.ledger-wal").stat().st_size > 0
    make_read_only(disk)
    with Ledger.open_for_reading(disk / "bench.ledger") as ledger:
        assert ledger.head().commits == 5
        assert ledger.database.rows("SELECT count(*) FROM run") == [(2,)]
        ledger.check_chain()


def fill(disk):
    with (disk / "ballast").open("wb", buffering=0) as file:
        for size in (65536, 1):
            with suppress(OSError):
                while True:
                    file.write(b"\0" * size)


@pytest.mark.parametrize("name", ASKING)
def test_a_ledger_on_a_full_disk_can_be_read(disk, tmp_path, name):
    path = disk / "bench.ledger"
    write_every_table(path, tmp_path)
    expected = ask(name, path, tmp_path / "out")
    fill(disk)
    assert ask(name, path, tmp_path / "out") == expected


@pytest.mark.parametrize("with_lock", [True, False])
def test_judging_on_a_full_disk_says_that_it_is_full(disk, tmp_path, with_lock):
    path = disk / "bench.ledger"
    write_night(path)
    if not with_lock:
        (disk / "bench.ledger.lock").unlink()
    fill(disk)
    code, text = command("judge", "--ledger", path, *cards_and_stand(tmp_path))
    assert code == 1
    assert "the disk is full" in text
    assert "make room and run again; nothing kept is lost" in text
    assert "Traceback" not in text
    (disk / "ballast").unlink()
    code, text = command("judge", "--ledger", path, *cards_and_stand(tmp_path))
    assert "1 judgement new" in text
    assert command("verify", "--ledger", path)[0] == 0
