"""Dying processes: the driver, a worker, a hanging step. Finished work is kept and the cause named."""

import signal
import time
from collections import Counter
from pathlib import Path

import pytest
from distributed import Client

from glasswright.run.workers.dask_runner import DaskRunner
from support.night_bench import shots_of


def test_a_shot_that_kills_or_hangs_its_worker_is_named_and_affects_no_other(bench, capsys):
    for number in (1, 2, 3):
        bench.add_ticket(number)
    bench.add_ticket(4, {**shots_of(4), "chart/f2_0.txt": "die", "chart/f4_1.txt": "hang", "flat/f2_0.txt": "leave"})
    bench.add_ticket(5, {**shots_of(5), "chart/f2_0.txt": "die_in_worker 20 21"})
    code, summary = bench.run(capsys, "--workers", "2", "--time-limit", "3")
    assert code == 13
    tickets = {each["number"]: each for each in summary["tickets"]}
    assert [tickets[f"T-000{number}"]["refusals"] for number in (1, 2, 3)] == [[], [], []]
    crashed = {each["item"]: each["reason"] for each in tickets["T-0004"]["refusals"] if each["status"] == "crashed"}
    assert crashed == {
        "T-0004 50 mm f/2 chart/f2_0.txt": "killed by signal 9 (SIGKILL)",
        "T-0004 50 mm f/4 chart/f4_1.txt": "stopped because it was not done after 3 s",
        "T-0004 50 mm f/2 flat/f2_0.txt": "SystemExit: 3",
    }
    # shots that died with a worker but not alone are measured normally
    assert tickets["T-0005"]["refusals"] == []
    code, summary = bench.run(capsys, "--workers", "1", "--time-limit", "3")
    assert (code, summary["measured"]) == (13, 0)


def test_a_scheduler_of_this_process_that_is_slow_is_not_gone(bench, capsys, monkeypatch):
    """On a machine busy with other work, a night lost its own scheduler and its workers."""
    bench.add_ticket(1)
    look, slow = Client.sync, iter(range(3))

    def look_slowly(self, function, *given, callback_timeout=None, **named):
        if callback_timeout is not None and next(slow, None) is not None:
            raise TimeoutError(f"timed out after {callback_timeout} s")
        return look(self, function, *given, callback_timeout=callback_timeout, **named)

    lost = []
    monkeypatch.setattr(Client, "sync", look_slowly)
    monkeypatch.setattr(DaskRunner, "_lose_scheduler", lambda *given: lost.append(given))
    code, summary = bench.run(capsys, "--workers", "1")
    assert (code, summary["measured"]) == (0, 21)
    assert next(slow, None) is None
    assert not lost


@pytest.mark.parametrize("options", [("--serial",), ("--workers", "2")])
def test_a_night_killed_at_any_moment_continues_to_the_same_result(bench, capsys, monkeypatch, options):
    for number in range(1, 13):
        shots = {name: f"slow 0.02 {text}" for name, text in shots_of(number).items()}
        bench.add_ticket(number, shots)
    bench.run(capsys, "--serial", ledger="undisturbed.ledger")
    log = bench.folder / "log"
    monkeypatch.setenv("TOY_LOG", str(log))
    kept_before = set()
    for _ in range(3):
        night = bench.start(*options)
        time.sleep(0.1)
        seen = _count(log)
        # two workers have three tickets of 21 steps open at once: with one step more, a ticket is in the ledger
        while night.poll() is None and _count(log) < seen + 3 * 21 + 1:
            time.sleep(0.01)
        night.send_signal(signal.SIGKILL)
        night.communicate()
        with bench.ledger() as ledger:
            kept = {state.record.ticket.number for state in ledger.latest_tickets() if state.outcomes}
        assert kept_before <= kept
        kept_before = kept
    # records of the killed night's workers must not count for this night
    time.sleep(1.5)
    log.unlink()
    assert 0 < len(kept_before) < 12
    code, summary = bench.run(capsys, *options)
    assert code == 0
    assert summary["in_ledger"] == 21 * len(kept_before)
    assert summary["measured"] == 21 * (12 - len(kept_before))
    ran = Counter(log.read_text().splitlines())
    assert sum(ran.values()) == summary["measured"]
    assert bench.content() == bench.content("undisturbed.ledger")


def test_a_stopped_night_keeps_complete_tickets_and_says_how_to_continue(bench, capsys, monkeypatch):
    for number in range(1, 8):
        shots = {name: f"slow 0.05 {text}" for name, text in shots_of(number).items()}
        bench.add_ticket(number, shots)
    log = bench.folder / "log"
    monkeypatch.setenv("TOY_LOG", str(log))
    night = bench.start("--workers", "2")
    # two workers have three tickets of 21 steps open at once: a fourth is begun only when one of them is in the ledger
    while night.poll() is None and _count(log) < 3 * 21 + 1:
        time.sleep(0.01)
    night.send_signal(signal.SIGTERM)
    printed, shown = night.communicate(timeout=30)
    assert night.returncode == 1, shown
    assert "stopped by SIGTERM" in printed.splitlines()[-1]
    assert "run again to continue" in printed.splitlines()[-1]
    assert "T-0007  not finished, the night was stopped; run again to continue" in printed
    outcomes = bench.outcomes()
    whole = {thing.split()[0] for _, thing in outcomes}
    assert 1 <= len(whole) < 7
    assert len(outcomes) == 21 * len(whole)
    code, summary = bench.run(capsys, "--workers", "2")
    assert (code, summary["in_ledger"]) == (0, 21 * len(whole))


def test_a_second_signal_ends_at_once(bench, monkeypatch):
    bench.add_ticket(1, {**shots_of(1), "flat/f2_0.txt": "hang"})
    log = bench.folder / "log"
    monkeypatch.setenv("TOY_LOG", str(log))
    night = bench.start("--serial")
    while night.poll() is None and _count(log) < 1:
        time.sleep(0.01)
    night.send_signal(signal.SIGINT)
    time.sleep(0.3)
    assert night.poll() is None
    night.send_signal(signal.SIGINT)
    night.communicate(timeout=5)
    assert night.returncode == 1


def _count(log):
    return len(log.read_text().splitlines()) if log.exists() else 0


def test_no_worker_outlives_its_night(bench, monkeypatch):
    bench.add_ticket(1, {**shots_of(1), "flat/f2_0.txt": "hang"})
    monkeypatch.setenv("TOY_LOG", str(bench.folder / "log"))
    night = bench.start("--workers", "2")
    while night.poll() is None and _count(bench.folder / "log") < 2:
        time.sleep(0.01)
    workers = _descendants(night.pid)
    assert workers
    night.kill()
    night.communicate()
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline and any(_is_alive(pid) for pid in workers):
        time.sleep(0.05)
    assert not [pid for pid in workers if _is_alive(pid)]


def _descendants(pid):
    children = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdigit() and _parent(entry) == pid]
    return children + [below for child in children for below in _descendants(child)]


def _stat(entry):
    try:
        return (entry / "stat").read_text().rpartition(")")[2].split()
    except OSError:
        return ["Z", "0"]


def _parent(entry):
    return int(_stat(entry)[1])


def _is_alive(pid):
    return _stat(Path("/proc") / str(pid))[0] != "Z"
