"""Signals to running nights: each night ends in time with a message, and loses no process or data.

The time bounds only detect hangs; they are far beyond the normal duration.
"""

import os
import signal
import subprocess
import sys
import time

import distributed
import psutil
import pytest

from glasswright.commands.main import run_command
from glasswright.run.workers.stopping import GRACE_S, LAST_S
from support.night_bench import PROGRAM, shots_of

HANG_S = GRACE_S + LAST_S + 20


class Watched:
    """A night in its own process group, and all processes that it started."""

    def __init__(self, bench, *options, grace_s=0):
        self.log = bench.folder / "log"
        self.night = bench.start(*options, grace_s=grace_s, start_new_session=True)
        self.processes = {}

    def note(self):
        try:
            for each in psutil.Process(self.night.pid).children(recursive=True):
                self.processes[each.pid] = each
        except psutil.NoSuchProcess:
            pass

    def wait_for(self, steps):
        """Wait until a number of steps has begun."""
        hung_at = time.monotonic() + 120
        while self.night.poll() is None and self.count() < steps and time.monotonic() < hung_at:
            self.note()
            time.sleep(0.02)
        self.note()
        assert self.night.poll() is None, self.night.communicate()

    def count(self):
        return len(self.log.read_text().splitlines()) if self.log.exists() else 0

    def workers(self):
        return [each for each in self.processes.values() if each.is_running() and _is_worker(each)]

    def end(self):
        printed, shown = self.night.communicate(timeout=HANG_S)
        _, alive = psutil.wait_procs(self.processes.values(), timeout=5)
        left = [each.pid for each in alive if each.status() != psutil.STATUS_ZOMBIE]
        for pid in left:
            os.kill(pid, signal.SIGKILL)
        assert not left, f"{len(left)} processes outlived the night"
        return self.night.returncode, printed, shown


def _is_worker(process):
    try:
        return "spawn_main" in " ".join(process.cmdline())
    except psutil.NoSuchProcess:
        return False


@pytest.fixture
def slow_bench(bench, monkeypatch):
    """Seven tickets of 21 steps; each shot takes 30 ms."""
    for number in range(1, 8):
        bench.add_ticket(number, {name: f"slow 0.03 {text}" for name, text in shots_of(number).items()})
    monkeypatch.setenv("TOY_LOG", str(bench.folder / "log"))
    return bench


SLOW_TICKETS = 7


def check_nothing_is_lost(bench, capsys):
    ledger = str(bench.folder / "bench.ledger")
    assert run_command(["verify", "--ledger", ledger]) == 0
    with bench.ledger() as opened:
        kept = {state.record.ticket.number for state in opened.latest_tickets() if state.outcomes}
    code, summary = bench.run(capsys, "--serial", "--cards", str(bench.folder / "cards"))
    assert code == 0
    assert summary["in_ledger"] == 21 * len(kept)
    assert summary["measured"] == 21 * (SLOW_TICKETS - len(kept))
    assert run_command(["verify", "--ledger", ledger]) == 0
    assert [each["verdict"] for each in summary["tickets"]] == ["PASS"] * SLOW_TICKETS
    for number in (1, SLOW_TICKETS):
        assert run_command(["gate", f"T-{number:04d}", "--ledger", ledger]) == 0


def send(night, kind, number):
    if kind == "group":
        os.killpg(night.night.pid, number)
    elif kind == "worker":
        night.workers()[0].send_signal(number)
    else:
        night.night.send_signal(number)


@pytest.mark.parametrize(
    ("kind", "number"),
    [("parent", signal.SIGINT), ("group", signal.SIGTERM)],
)
def test_a_signal_ends_the_night_in_order(slow_bench, capsys, kind, number):
    night = Watched(slow_bench, "--workers", "2")
    # two workers have three tickets of 21 steps open at once: a fourth is begun only when one of them is in the ledger
    night.wait_for(3 * 21 + 1)
    send(night, kind, number)
    code, printed, shown = night.end()
    assert code == 1
    assert f"stopped by {number.name}" in printed.splitlines()[-1]
    assert f"glasswright: {number.name}: finishing running work, 8 s at most" in shown
    assert "Traceback" not in shown
    check_nothing_is_lost(slow_bench, capsys)


def test_a_night_stopped_before_its_workers_have_started_ends_in_order(slow_bench, capsys):
    night = Watched(slow_bench, "--workers", "2")
    while night.night.poll() is None and not night.workers():
        night.note()
    send(night, "group", signal.SIGTERM)
    code, printed, shown = night.end()
    assert code == 1
    assert "stopped by SIGTERM" in printed.splitlines()[-1]
    assert "Traceback" not in shown
    check_nothing_is_lost(slow_bench, capsys)


@pytest.mark.parametrize(("kind", "options"), [("group", ("--workers", "2")), ("parent", ("--serial",))])
def test_a_second_signal_ends_at_once(slow_bench, capsys, kind, options):
    slow_bench.write("night/T-0001/flat/f2_0.txt", "hang")
    night = Watched(slow_bench, *options)
    night.wait_for(1)
    send(night, kind, signal.SIGTERM)
    time.sleep(0.3)
    assert night.night.poll() is None
    send(night, kind, signal.SIGINT)
    code, _, shown = night.end()
    assert code == 1
    assert "glasswright: SIGINT: ended at once; run again to continue" in shown
    slow_bench.write("night/T-0001/flat/f2_0.txt", shots_of(1)["flat/f2_0.txt"])
    check_nothing_is_lost(slow_bench, capsys)


def test_a_hanging_step_is_abandoned_after_the_grace_period(slow_bench, capsys):
    slow_bench.write("night/T-0001/flat/f2_0.txt", "hang")
    slow_bench.write("night/T-0002/flat/f2_0.txt", "hang")
    night = Watched(slow_bench, "--workers", "2", grace_s=1)
    night.wait_for(2)
    os.killpg(night.night.pid, signal.SIGTERM)
    code, printed, shown = night.end()
    assert code == 1
    assert "T-0001  not finished, the night was stopped; run again to continue" in printed
    assert "stopped by SIGTERM" in printed.splitlines()[-1]
    assert "Traceback" not in shown
    for number in (1, 2):
        slow_bench.write(f"night/T-000{number}/flat/f2_0.txt", shots_of(number)["flat/f2_0.txt"])
    check_nothing_is_lost(slow_bench, capsys)


@pytest.mark.parametrize("end", ["term", "kill"])
def test_a_unit_run_separately_ends_with_the_night(slow_bench, capsys, end):
    slow_bench.write("night/T-0001/flat/f2_0.txt", "die_then_hang")
    night = Watched(slow_bench, "--workers", "2", grace_s=1)
    while night.night.poll() is None and not any(_is_alone(each) for each in night.processes.values()):
        night.note()
        time.sleep(0.01)
    if end == "term":
        os.killpg(night.night.pid, signal.SIGTERM)
    else:
        night.night.kill()
    code, *_ = night.end()
    assert code == (1 if end == "term" else -signal.SIGKILL)
    slow_bench.write("night/T-0001/flat/f2_0.txt", shots_of(1)["flat/f2_0.txt"])
    check_nothing_is_lost(slow_bench, capsys)


def _is_alone(process):
    try:
        return "glasswright.run.workers.alone" in process.cmdline()
    except psutil.NoSuchProcess:
        return False


def test_a_killed_night_ends_its_workers(slow_bench, capsys):
    night = Watched(slow_bench, "--workers", "2")
    night.wait_for(3 * 21 + 1)
    assert len(night.workers()) == 2
    night.night.kill()
    assert night.end()[0] == -signal.SIGKILL
    check_nothing_is_lost(slow_bench, capsys)


def test_a_night_outlives_its_workers(slow_bench, capsys):
    night = Watched(slow_bench, "--workers", "2")
    night.wait_for(10)
    first, second = night.workers()
    first.send_signal(signal.SIGKILL)
    second.send_signal(signal.SIGTERM)
    code, _, shown = night.end()
    assert code == 0, shown
    check_nothing_is_lost(slow_bench, capsys)


def test_pages_and_rehearsals_leave_no_process_behind(tmp_path):
    command = [sys.executable, "-c", PROGRAM, "rehearse", str(tmp_path / "night"), "--tickets", "4"]
    rehearsal = subprocess.Popen([*command, "--megapixels", "1", "--workers", "2"], start_new_session=True)
    started = {}
    while rehearsal.poll() is None and not list(tmp_path.glob("night/tickets/*/*/*")):
        started.update({each.pid: each for each in psutil.Process(rehearsal.pid).children(recursive=True)})
        time.sleep(0.02)
    rehearsal.terminate()
    rehearsal.communicate(timeout=HANG_S)
    _, alive = psutil.wait_procs(started.values(), timeout=10)
    left = [each.pid for each in alive if each.status() != psutil.STATUS_ZOMBIE]
    for pid in left:
        os.kill(pid, signal.SIGKILL)
    assert started
    assert not left


def test_a_worker_that_is_killed_while_it_starts_is_started_again(slow_bench, capsys):
    night = Watched(slow_bench, "--workers", "2")
    while night.night.poll() is None and not night.workers():
        night.note()
    send(night, "worker", signal.SIGKILL)
    code, _, shown = night.end()
    assert code == 0, shown
    check_nothing_is_lost(slow_bench, capsys)


def test_workers_that_never_start_are_an_error_that_says_what_to_do(slow_bench, capsys, monkeypatch):
    def refuse(**_):
        raise RuntimeError("Nanny failed to start.") from MemoryError("no room")

    monkeypatch.setattr(distributed, "LocalCluster", refuse)
    assert run_command(slow_bench.arguments("--workers", "1")) == 1
    printed = capsys.readouterr().err
    assert "the worker processes do not start (MemoryError: no room): " in printed
    assert "free memory, give fewer --workers, or use --serial, and run again; nothing kept is lost" in printed
    assert "Traceback" not in printed
