"""A ledger has one writer, and one set of files, by whatever name it is opened."""

import os
import subprocess
import sys
from contextlib import contextmanager

import pytest

from glasswright.errors import LedgerBusyError
from glasswright.ledger import Ledger
from glasswright.ledger.place import LedgerPlaceError
from support.ledger_toys import good_outcomes, run_record, ticket_record, write_night

HOLD = (
    "import sys, time; from pathlib import Path; from glasswright.ledger import Ledger\n"
    "ledger = Ledger.open_for_writing(Path(sys.argv[1])); print('held', flush=True); time.sleep(60)"
)


@contextmanager
def held(path):
    """Hold a ledger for writing in a process of its own."""
    holder = subprocess.Popen([sys.executable, "-c", HOLD, path], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout.readline() == "held\n"
        yield holder
    finally:
        holder.kill()
        holder.wait()
        holder.stdout.close()


@pytest.fixture
def path(tmp_path):
    (tmp_path / "shop").mkdir()
    write_night(tmp_path / "shop" / "bench.ledger")
    return tmp_path / "shop" / "bench.ledger"


def link_of(path, kind, tmp_path):
    if kind == "a link to the file":
        link = tmp_path / "other.ledger"
        link.symlink_to(path)
    elif kind == "a link to a link":
        (tmp_path / "between.ledger").symlink_to(os.path.relpath(path, tmp_path))
        link = tmp_path / "other.ledger"
        link.symlink_to("between.ledger")
    else:
        (tmp_path / "other").symlink_to(path.parent)
        link = tmp_path / "other" / path.name
    return link


LINKS = ["a link to the file", "a link to a link", "a link to the folder"]


@pytest.mark.parametrize("kind", LINKS)
@pytest.mark.parametrize("first", ["link", "file"])
def test_a_link_does_not_bypass_the_lock(path, tmp_path, kind, first):
    link = link_of(path, kind, tmp_path)
    one, other = (link, path) if first == "link" else (path, link)
    with (
        held(one) as holder,
        pytest.raises(LedgerBusyError, match=f"another run holds this ledger: process {holder.pid}"),
    ):
        Ledger.open_for_writing(other)
    with Ledger.open_for_writing(other):
        pass


@pytest.mark.parametrize("kind", LINKS)
def test_by_a_link_and_by_its_name_one_ledger_is_written_with_one_set_of_files(path, tmp_path, kind):
    link = link_of(path, kind, tmp_path)
    write_night(link, numbers=("T-2",))
    write_night(path, numbers=("T-3",))
    for each in (path, link):
        with Ledger.open_for_reading(each) as ledger:
            assert ledger.verify().damage == ()
            assert len(ledger.latest_tickets()) == 3
            ledger.check_artefacts("T-2")
    beside = {each.name for each in tmp_path.iterdir() if not each.is_symlink()}
    assert beside == {"shop"}


def test_a_link_to_no_file_yet_begins_the_ledger_where_it_points(tmp_path):
    (tmp_path / "shop").mkdir()
    link = tmp_path / "new.ledger"
    link.symlink_to("shop/real.ledger")
    write_night(link)
    assert (tmp_path / "shop" / "real.ledger.files").is_dir()
    assert {each.name for each in tmp_path.iterdir()} == {"shop", "new.ledger"}


def test_a_ledger_with_a_hard_link_is_not_written(path, tmp_path):
    other = tmp_path / "other.ledger"
    other.hardlink_to(path)
    before = path.read_bytes()
    for each in (path, other):
        with pytest.raises(LedgerPlaceError, match=r"the file has 2 names \(hard links\).*copy the ledger instead"):
            Ledger.open_for_writing(each)
    assert path.read_bytes() == before
    other.unlink()
    with Ledger.open_for_writing(path):
        pass


@pytest.fixture
def mounted():
    """Mount one path over another, where the machine lets us."""
    done = []

    def mount(source, target):
        if subprocess.run(["mount", "--bind", source, target], check=False, capture_output=True).returncode:
            pytest.skip("mounting is not permitted here")
        done.append(target)

    yield mount
    for target in done:
        subprocess.run(["umount", target], check=True)


def test_a_folder_mounted_twice_has_one_lock(path, tmp_path, mounted):
    (tmp_path / "again").mkdir()
    mounted(path.parent, tmp_path / "again")
    with held(path), pytest.raises(LedgerBusyError, match="another run holds this ledger"):
        Ledger.open_for_writing(tmp_path / "again" / path.name)


def test_a_file_mounted_over_another_is_refused(path, tmp_path, mounted):
    other = tmp_path / "other.ledger"
    other.touch()
    mounted(path, other)
    with pytest.raises(LedgerPlaceError, match=r"other\.ledger: the file itself is a mount point"):
        Ledger.open_for_writing(other)


def test_two_writers_by_two_names_do_not_mix_their_rows(path, tmp_path):
    """While one is held by its link, the other is refused; then both nights are there."""
    link = link_of(path, LINKS[0], tmp_path)
    with Ledger.open_for_writing(link) as ledger:
        run = ledger.begin_run(run_record())
        outcomes = good_outcomes("T-2")
        ledger.commit_ticket(run, ticket_record(outcomes, "T-2"), outcomes)
        program = HOLD.replace("time.sleep(60)", "")
        refused = subprocess.run([sys.executable, "-c", program, path], capture_output=True, text=True, check=False)
        assert "LedgerBusyError" in refused.stderr
        ledger.end_run(run, {})
    with Ledger.open_for_reading(path) as ledger:
        assert [state.record.ticket.number for state in ledger.latest_tickets()] == ["T-1", "T-2"]
        assert ledger.verify().damage == ()
