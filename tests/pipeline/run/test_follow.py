"""A folder that is followed: copies that are complete, paused, damaged, restarted; and others that write meanwhile."""

import hashlib
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import datetime, timedelta
from types import SimpleNamespace

import pytest

from glasswright.commands.following import FollowOptions, _Reporter
from glasswright.commands.main import run_command
from glasswright.errors import LedgerBusyError
from glasswright.intake.arrival import Arriving
from glasswright.intake.index import TicketRequest
from glasswright.intake.shot_setting import Nominal
from glasswright.ledger import Ledger
from glasswright.ledger.lock import WriterLock
from glasswright.plugin.artefact import Ticket
from glasswright.plugin.roles import Role
from support.ledger_toys import run_record
from support.night_bench import PLAN, PROGRAM, shots_of

BOUND_S = 60
"""A limit for hangs: no test judges a clock."""


class Following:
    """A follower in a process of its own, and what it says."""

    def __init__(self, bench, *options):
        words = bench.arguments("--follow", "--serial", "--cards", str(bench.folder / "cards"), *options)
        self.process = subprocess.Popen(
            [sys.executable, "-u", "-c", PROGRAM, *words], text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        self.lines = []
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    def wait_for(self, text, times=1):
        until = time.monotonic() + BOUND_S
        while time.monotonic() < until:
            found = [line for line in self.lines if text in line]
            if len(found) >= times:
                return found[-1]
            assert self.process.poll() is None, self.lines
            time.sleep(0.02)
        raise AssertionError(f"{text!r} was not said: {self.lines}")

    def end(self):
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(timeout=BOUND_S)
        self.close()
        return self.process.returncode

    def close(self):
        self._reader.join()
        self.process.stdout.close()


@contextmanager
def following(bench, *options):
    follower = Following(bench, *options)
    try:
        yield follower
        assert follower.end() == 0, follower.lines
        # pages that are being drawn may be reported after it
        assert any("stopped by SIGTERM: what was measured is in the ledger" in line for line in follower.lines)
        assert not any("Traceback" in line for line in follower.lines)
    finally:
        if follower.process.poll() is None:
            follower.process.kill()
            follower.process.wait()
            follower.close()


def sums_of(shots):
    return "".join(f"{hashlib.sha256(text.encode()).hexdigest()}  {name}\n" for name, text in shots.items())


def gate(bench, number):
    return run_command(["gate", number, "--ledger", str(bench.folder / "bench.ledger")])


def test_a_paused_copy_is_incomplete_and_is_measured_when_the_rest_has_come(bench, capsys):
    shots = shots_of(1)
    half = dict(list(shots.items())[:5])
    half["chart/f2_0.txt"] = "blank"
    half["flat/f4_0.txt"] = "crash"
    with following(bench, "--quiet-seconds", "4") as follower:
        follower.wait_for("following")
        folder = bench.add_ticket(1, half)
        # the shot that nobody can use is named while the others are still to come
        follower.wait_for("T-0001 chart/f2_0.txt: the file holds no numbers")
        follower.wait_for("T-0001 flat/f4_0.txt: `read_flat` failed")
        assert not any("f2_0.txt: `" in line for line in follower.lines)
        bench.write(f"night/{folder.name}/SHA256SUMS", sums_of(shots))
        line = follower.wait_for("INCOMPLETE")
        assert (
            "the copy is not complete: chart/f2_1.txt, chart/f4_0.txt, chart/f4_1.txt are listed in SHA256SUMS" in line
        )
        assert gate(bench, "T-0001") == 12
        bench.add_ticket(1, shots)
        assert "RELEASE" in follower.wait_for("s after its last file")
    assert gate(bench, "T-0001") == 0
    assert bench.outcomes()["read_chart", "T-0001 chart/f2_0.txt"] == ("done", "")
    capsys.readouterr()


def test_a_folder_without_checksums_is_taken_when_it_is_quiet_and_again_when_it_changes_and_not_at_a_restart(
    bench, capsys
):
    bench.add_ticket(1)
    with following(bench, "--quiet-seconds", "1") as follower:
        follower.wait_for("T-0001: RELEASE")
        # another writes to the same ledger while the folder is followed
        words = ["--ledger", str(bench.folder / "bench.ledger"), "--by", "K. Moreau", "--why", "soft on one side"]
        assert run_command(["returned", "T-0001", *words]) == 0
        bench.add_ticket(2)
        follower.wait_for("T-0002: RELEASE")
        # a check by hand is signed in the ticket's file: it counts at once
        ticket = bench.folder / "night/T-0002/ticket.yaml"
        check = "hand_checks: {mount: {answer: pass, who: K. Moreau, when: 2026-03-02T10:00:00+01:00}}\n"
        ticket.write_text(ticket.read_text() + check)
        follower.wait_for("T-0002: RELEASE", times=2)
        bench.write("night/T-0003/ticket.yaml", "ticket: T-0003\n")
        follower.wait_for("T-0003: INCOMPLETE")
    with bench.ledger() as opened:
        assert opened.verify().damage == ()
        (state,) = opened.latest_tickets(["T-0002"])
        assert [each.check for each in state.record.ticket.hand_checks] == ["mount"]
        runs = opened.database.rows("SELECT count(*) FROM run")
        ended = opened.database.rows("SELECT count(*) FROM run_end WHERE completed")
        assert runs == ended
    assert gate(bench, "T-0001") == 12  # it came back
    assert gate(bench, "T-0002") == 0
    with following(bench, "--quiet-seconds", "1") as follower:
        bench.add_ticket(4)
        follower.wait_for("T-0004: RELEASE")
        assert not any("T-0001" in line or "T-0002: the copy" in line for line in follower.lines)
    capsys.readouterr()


def test_pages_are_kept_up_to_date(bench, capsys):
    pages = bench.folder / "pages"
    with following(bench, "--quiet-seconds", "1", "--pages", str(pages)) as follower:
        for number in (1, 2):
            bench.add_ticket(number)
            follower.wait_for(f"T-000{number}: RELEASE")
            until = time.monotonic() + BOUND_S
            while time.monotonic() < until and not (pages / f"tickets/T-000{number}.html").exists():
                time.sleep(0.05)
        follower.wait_for("pages: ")
    text = (pages / "index.html").read_text()
    assert "T-0001" in text
    capsys.readouterr()


def test_what_cannot_be_followed_is_refused(bench, capsys):
    bench.write("plan.yaml", PLAN + "  whole: {stage: toy.combine, inputs: {means: average_flat}, per: night}\n")
    assert run_command(bench.arguments("--follow")) == 2
    message = " ".join(capsys.readouterr().err.split())
    assert "`whole` of this plan needs all tickets of a night: run the plan without --follow after the last" in message
    assert "or follow with a plan without this step" in message
    assert run_command(bench.arguments("--follow", "--json")) == 2
    assert "--follow runs until it is stopped: leave out --json and --retry" in " ".join(
        capsys.readouterr().err.split()
    )
    (bench.folder / "night").rmdir()
    bench.write("plan.yaml", PLAN)
    assert run_command(bench.arguments("--follow")) == 2
    assert "there is no such folder: make it, or correct --tickets" in capsys.readouterr().err


def test_a_file_has_arrived_when_it_stays_as_it_is(tmp_path):
    arriving = Arriving(folder=tmp_path)
    stamp = (5, 1, 1)
    arriving.see({"chart/1.dng": stamp}, 10.0)
    assert arriving.find_arrived(10.5) == frozenset()
    arriving.see({"chart/1.dng": (9, 2, 2)}, 10.6)
    assert arriving.find_arrived(11.2) == frozenset()
    assert arriving.find_arrived(11.7) == {"chart/1.dng"}
    assert (arriving.is_new, arriving.changed_at) == (True, 10.6)


@pytest.mark.parametrize(
    ("count", "expected"),
    [
        (1, "chart/0.txt is listed in SHA256SUMS and not there yet"),
        (3, "chart/0.txt, chart/1.txt, chart/2.txt are listed in SHA256SUMS and not there yet"),
        (4, "chart/0.txt, chart/1.txt, chart/2.txt and 1 more file are listed in SHA256SUMS and not there yet"),
        (9, "chart/0.txt, chart/1.txt, chart/2.txt and 6 more files are listed in SHA256SUMS and not there yet"),
    ],
)
def test_the_first_files_that_a_copy_lacks_are_named_and_the_others_counted(tmp_path, count, expected):
    (tmp_path / "SHA256SUMS").write_text("".join(f"{'0' * 64}  chart/{k}.txt\n" for k in range(count)))
    request = TicketRequest(
        folder=tmp_path,
        ticket=Ticket(number="T-1", model="m", serial="s", phase="release", body="b"),
        body_serial=None,
        rules=(),
        nominal=Nominal(),
        roles={"chart": Role()},
        by_setting=frozenset(),
    )
    arriving = Arriving(folder=tmp_path)
    arriving.see({"SHA256SUMS": (5, 1, 1)}, 10.0)
    assert arriving.why_incomplete(request, quiet_s=60, now=10.5) == "files still change"
    assert arriving.why_incomplete(request, quiet_s=60, now=12.0) == expected


def test_without_checksums_a_copy_is_complete_after_the_quiet_time(tmp_path):
    arriving = Arriving(folder=tmp_path)
    arriving.see({"chart/1.dng": (5, 1, 1)}, 10.0)
    assert arriving.why_incomplete(None, quiet_s=4, now=13.9) == "there is no SHA256SUMS, and files still change"
    assert arriving.why_incomplete(None, quiet_s=4, now=14.0) == ""


@pytest.fixture
def ledger_path(tmp_path):
    return tmp_path / "bench.ledger"


def test_commits_are_runs_of_their_own_between_which_others_write(ledger_path):
    with Ledger.open_for_commits(ledger_path) as ledger:
        for number in range(3):
            run = ledger.begin_run(run_record())
            ledger.begin_ticket(run, f"T-{number}", "/night")
            with Ledger.open_for_writing(ledger_path) as other:
                second = other.begin_run(run_record())
                other.stop_tickets(second, [f"T-{number}"])
                other.end_run(second, {}, backup=False)
            ledger.end_run(run, {}, backup=number == 2)
    with Ledger.open_for_reading(ledger_path) as ledger:
        assert ledger.verify().damage == ()
        rows = ledger.database.rows(
            "SELECT attempt.run, ticket, state, completed FROM attempt JOIN run_end USING (run)"
        )
        assert rows == [(number + 1, f"T-{number // 2}", ("begun", "stopped")[number % 2], 1) for number in range(6)]


def test_a_commit_waits_for_a_command_and_a_command_for_a_commit(ledger_path):
    with Ledger.open_for_commits(ledger_path) as ledger:
        run = ledger.begin_run(run_record())
        other = Ledger.open_for_writing(ledger_path)
        closing = threading.Timer(0.5, lambda: other._lock.release())
        closing.start()
        begun = time.monotonic()
        ledger.begin_ticket(run, "T-1", "/night")
        assert time.monotonic() - begun > 0.3
        other.database.close()
        commit = WriterLock(ledger_path, for_commit=True)
        threading.Timer(0.5, commit.release).start()
        Ledger.open_for_writing(ledger_path).__exit__(None, None, None)
    # a command that holds it is not waited for by another
    with Ledger.open_for_writing(ledger_path), pytest.raises(LedgerBusyError, match=f"process {os.getpid()} on"):
        Ledger.open_for_writing(ledger_path)


def test_the_days_pages_hold_the_runs_of_today_that_measured_something(tmp_path, monkeypatch):
    now = datetime.now().astimezone()
    times = {1: now - timedelta(days=1), 2: now, 3: now, 4: now - timedelta(days=400)}
    runs = [SimpleNamespace(number=n, tickets=n != 3, started_at=when.isoformat()) for n, when in times.items()]
    monkeypatch.setattr("glasswright.commands.following.read_runs", lambda _ledger: runs)
    options = FollowOptions(tickets=tmp_path, ledger=tmp_path / "bench.ledger", quiet_s=1, pages=None)
    asked = {}

    def submit(_build, *words, **named):
        asked.update(named, words=words)
        return Future()

    result = SimpleNamespace(night=SimpleNamespace(tickets=[SimpleNamespace(number="T-1")]))
    _Reporter(options, None, None)._draw(SimpleNamespace(submit=submit), tmp_path / "out", None, result)
    assert asked == {
        "words": (options.ledger, tmp_path / "out"),
        "nights": (2,),
        "tickets": tmp_path,
        "workers": 1,
        "drawn": ("T-1",),
    }
