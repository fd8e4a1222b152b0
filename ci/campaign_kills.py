"""Nights that are killed or stopped at random moments: all processes, the parent or a worker."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import psutil
from campaign_tools import FALSE_RELEASE, HANG, HANG_S, LOST, Case, Ended, cards_of, run_apart

from glasswright.commands.main import run_command
from support.night_bench import PROGRAM, Bench, shots_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

TICKETS = 6
HELD = 3
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGINT)
SERIAL_SHARE = 0.7
"""Fraction of serial nights, because starting workers takes ten times as long as the measurement."""
KILLS_A_NIGHT = 5
LEFT_S = 10.0
"""Time within which the kernel removes killed processes, even on a busy machine."""
KNOWN = 21
"""Accepted exit codes; 21 is accepted only while the new ledger is still empty."""


def prepare(scratch: Path, count: int) -> Callable[[Case], None]:
    """Time an undisturbed night of each kind; return the function that runs one case: a night killed several times."""
    del count
    lengths = {}
    for options in ((), ("--serial",)):
        bench = make_night(scratch / f"undisturbed{len(options)}")
        start = time.monotonic()
        night = start_night(bench, options or ("--workers", "2"))
        night.communicate()
        lengths[bool(options)] = time.monotonic() - start

    def kill(case: Case) -> None:
        random = case.random
        bench = make_night(case.folder / "bench")
        serial = random.random() < SERIAL_SHARE
        measured: set[str] = set()
        names = []
        for _ in range(KILLS_A_NIGHT):
            number = random.choice(SIGNALS)
            target = random.choice(("parent", "group") if serial else ("parent", "group", "worker"))
            twice = number != signal.SIGKILL and random.random() < 0.3
            delay = random.uniform(0.1, 0.9) * lengths[serial]
            names.append(f"{number.name}{' twice' if twice else ''} to {target}")
            case.name = f"{'serial' if serial else 'two workers'}, {', '.join(names)}"
            options = ("--serial",) if serial else ("--workers", "2")
            _kill_once(case, start_night(bench, options), number, target, delay, twice=twice)
            measured = _check_ledger(case, bench, measured)
        ended = run_apart(lambda: run_command(bench.arguments("--serial", *cards_of(bench))))
        case.check("`run`", ended)
        for index in range(1, TICKETS + 1):
            code = case.gate(f"T-{index:04d}", bench.folder / "bench.ledger")
            if code != (10 if index == HELD else 0):
                case.find(LOST, f"T-{index:04d}: the gate says {code} once the night was run to its end")
        if case.run("verify", "--ledger", str(bench.folder / "bench.ledger")).code != 0:
            case.find(LOST, "`verify` fails once the night was run to its end")

    return kill


def make_night(folder: Path) -> Bench:
    """Return a night of several tickets, one of which is to be held."""
    bench = Bench(folder)
    for index in range(1, TICKETS + 1):
        far = "9999 " if index == HELD else ""
        shots = {
            name: f"slow 0.01 {far if name.startswith('chart') else ''}{text}" for name, text in shots_of(index).items()
        }
        bench.add_ticket(index, shots)
    return bench


def start_night(bench: Bench, options: tuple[str, ...]) -> subprocess.Popen[str]:
    """Start a night in a new process group."""
    command = [sys.executable, "-c", PROGRAM, *bench.arguments(*options, *cards_of(bench))]
    return subprocess.Popen(
        command, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True
    )


def _kill_once(
    case: Case, night: subprocess.Popen[str], number: signal.Signals, target: str, delay: float, *, twice: bool
) -> None:
    seen: dict[int, psutil.Process] = {}
    until = time.monotonic() + delay
    while time.monotonic() < until and night.poll() is None:
        _note(night.pid, seen)
        time.sleep(0.02)
    for _ in range(1 + twice):
        _note(night.pid, seen)
        if night.poll() is None:
            _send(night, seen, number, target)
        time.sleep(0.05)
    _note(night.pid, seen)
    try:
        output, _ = night.communicate(timeout=HANG_S)
        code = night.returncode
        # a signal is how it ends where it was one that kills, or came before the night listened or after it
        case.check("the night", Ended(max(code, 0), output))
    except subprocess.TimeoutExpired:
        case.find(HANG, f"the night did not end in {HANG_S:g} s after {number.name} to {target}")
        os.killpg(night.pid, signal.SIGKILL)
        night.communicate()
    _, alive = psutil.wait_procs(seen.values(), timeout=LEFT_S)
    left = [each for each in alive if each.is_running() and each.status() != psutil.STATUS_ZOMBIE]
    if left:
        case.find(HANG, f"{len(left)} processes outlived the night after {number.name} to {target}")
        for each in left:
            each.kill()


def _note(pid: int, seen: dict[int, psutil.Process]) -> None:
    with contextlib.suppress(psutil.NoSuchProcess):
        seen.update({each.pid: each for each in psutil.Process(pid).children(recursive=True)})


def _send(night: subprocess.Popen[str], seen: dict[int, psutil.Process], number: signal.Signals, target: str) -> None:
    workers = [each for each in seen.values() if each.is_running()]
    if target == "group":
        os.killpg(night.pid, number)
    elif target == "worker" and workers:
        with contextlib.suppress(psutil.NoSuchProcess):
            workers[-1].send_signal(number)
    else:
        night.send_signal(number)


def _check_ledger(case: Case, bench: Bench, before: set[str]) -> set[str]:
    """Check the ledger of a killed night; return its tickets."""
    ledger = bench.folder / "bench.ledger"
    if not ledger.exists():
        return before
    code = case.run("verify", "--ledger", str(ledger)).code
    if code != 0 and not (code == KNOWN and not before):
        case.find(LOST, f"`verify` ends with {code} after a kill")
    measured = set()
    for index in range(1, TICKETS + 1):
        ticket = f"T-{index:04d}"
        ended = case.run("gate", ticket, "--ledger", str(ledger), "--json")
        if ended.code == 0 and index == HELD:
            case.find(FALSE_RELEASE, f"{ticket} is released after a kill")
        start = ended.output.find("{")
        if start >= 0 and json.loads(ended.output[start:])["measured_at"]:
            measured.add(ticket)
    if before - measured:
        case.find(LOST, f"{', '.join(sorted(before - measured))} was in the ledger before a kill")
    return measured
