"""While a ticket is measured again, or if it was refused, its earlier results release nothing."""

import signal
import time

import pytest

from support.night_bench import Bench, shots_of
from support.nights import Nights

AGAIN = "began to measure this ticket and has not ended: if it is no longer under way, run again"


@pytest.fixture
def nights(bench: Bench, capsys):
    """Two tickets, released."""
    for number in (1, 2):
        bench.add_ticket(number)
    made = Nights(bench, capsys)
    assert made.run()[0] == 0
    assert made.gate(1)[0] == made.gate(2)[0] == 0
    return made


def test_a_night_records_begin_and_end_and_a_repeat_records_nothing(nights):
    expected = [(f"T-000{n}", state) for n in (1, 2) for state in ("begun", "ended")]
    assert nights.attempts() == expected
    assert nights.run()[1]["measured"] == 0
    assert nights.attempts() == expected


def kill_while_measuring(nights, monkeypatch):
    log = nights.bench.folder / "log"
    monkeypatch.setenv("TOY_LOG", str(log))
    night = nights.bench.start("--serial", *nights.cards)
    while night.poll() is None and not (log.exists() and "read_numbers" in log.read_text()):
        time.sleep(0.01)
    night.send_signal(signal.SIGKILL)
    night.communicate(timeout=30)
    assert night.returncode == -signal.SIGKILL


def test_a_killed_re_measure_leaves_its_ticket_incomplete_and_the_others_alone(nights, monkeypatch):
    nights.bench.write("night/T-0001/chart/f2_9.txt", "hang")
    kill_while_measuring(nights, monkeypatch)
    code, out = nights.gate(1)
    assert (code, out.splitlines()[0]) == (12, "T-0001: INCOMPLETE")
    assert AGAIN in out
    assert nights.gate(2)[0] == 0
    nights.bench.write("night/T-0001/chart/f2_9.txt", shots_of(1)["chart/f2_0.txt"] + " 22")
    assert nights.run()[0] == 0
    code, out = nights.gate(1)
    assert (code, AGAIN in out) == (0, False)


def test_a_killed_re_measure_of_an_unchanged_ticket_leaves_it_incomplete(nights, monkeypatch):
    nights.bench.write("night/T-0001/chart/f2_9.txt", "hang")
    kill_while_measuring(nights, monkeypatch)
    (nights.bench.folder / "night/T-0001/chart/f2_9.txt").unlink()
    assert nights.run()[1]["measured"] == 0
    assert nights.gate(1)[0] == 0


def test_a_ticket_killed_in_its_first_measurement_is_reported(bench, capsys, monkeypatch):
    bench.add_ticket(1, {**shots_of(1), "chart/f2_0.txt": "hang"})
    nights = Nights(bench, capsys)
    kill_while_measuring(nights, monkeypatch)
    code, out = nights.gate(1)
    assert code == 12
    assert AGAIN in out
    assert nights.gate(2)[1].splitlines()[1].startswith("  - the ledger has no ticket `T-0002`: correct the number")


def corrupt_file(folder):
    (folder / "ticket.yaml").write_text("ticket: [\n")
    return folder


def rename_and_corrupt(folder):
    return corrupt_file(folder.rename(folder.with_name("lens on the left")))


def rename_corrupt_and_leave_the_number(folder):
    moved = rename_and_corrupt(folder)
    (moved / "ticket.yaml").write_text('ticket: "T-0001"\nlens: {model: [\n')
    for shot in moved.glob("*/*.txt"):
        shot.unlink()
    return moved


def rename_to_another_and_remove_the_file(folder):
    moved = folder.rename(folder.with_name("T-0777"))
    (moved / "ticket.yaml").unlink()
    return moved


def turn_into_a_folder(folder):
    (folder / "ticket.yaml").unlink()
    (folder / "ticket.yaml").mkdir()
    return folder


@pytest.mark.parametrize(
    "spoil",
    [
        corrupt_file,
        rename_and_corrupt,
        rename_corrupt_and_leave_the_number,
        rename_to_another_and_remove_the_file,
        turn_into_a_folder,
    ],
)
def test_an_unreadable_ticket_loses_its_release_under_any_folder_name(nights, spoil):
    here = nights.bench.folder / "night" / "T-0001"
    moved = spoil(here)
    assert nights.run()[0] == 13
    code, out = nights.gate(1)
    assert (code, out.splitlines()[0]) == (12, "T-0001: INCOMPLETE")
    assert f"could not read this ticket: {moved}: " in out
    assert "correct that and run again" in out
    assert nights.gate(2)[0] == 0
    before = nights.attempts()
    assert nights.run()[0] == 13
    assert nights.attempts() == before


def test_a_killed_night_has_refused_tickets_before_measuring(nights, monkeypatch):
    corrupt_file(nights.bench.folder / "night" / "T-0001")
    nights.bench.add_ticket(3, {**shots_of(3), "chart/f2_0.txt": "hang"})
    kill_while_measuring(nights, monkeypatch)
    assert nights.gate(1)[0] == 12
    assert nights.gate(2)[0] == 0


def test_an_unreadable_ticket_that_shares_darks_does_not_affect_another(nights):
    """Only a few of its files belong to another ticket."""
    shared = shots_of(1)["flat/f2_0.txt"]
    folder = nights.bench.add_ticket(8, {**shots_of(8), "dark/1.txt": shared})
    corrupt_file(folder)
    assert nights.run()[0] == 13
    assert nights.gate(1)[0] == nights.gate(2)[0] == 0


def test_a_ticket_whose_folder_cannot_be_listed_loses_its_release(nights, monkeypatch):
    from glasswright.run import tasks

    def fail(self):
        return self.accept(tasks.IndexFailure(reason="its files could not be listed"))

    monkeypatch.setattr(tasks.TicketTask, "start", fail)
    nights.run()
    code, out = nights.gate(1)
    assert code == 12
    assert "its files could not be listed; correct that and run again" in out
