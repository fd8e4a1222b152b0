"""Shared parts of the campaign: commands in separate processes, and the findings of a case."""

from __future__ import annotations

import os
import pkgutil
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Final

TESTS: Final = Path(__file__).parents[1] / "tests"
sys.path.insert(0, str(TESTS))

import glasswright
import glasswright_camera
from glasswright.commands.main import run_command
from glasswright.config.schema.plugins import load_plugins
from support.night_bench import TOY_SOURCE, Bench

if TYPE_CHECKING:
    from collections.abc import Callable

FALSE_RELEASE: Final = "false release"
LOST: Final = "lost"
TRACEBACK: Final = "traceback"
HANG: Final = "hang"
KINDS: Final = (FALSE_RELEASE, LOST, TRACEBACK, HANG)

HANG_S: Final = 600.0
"""Time limit of a case, far above any normal duration, even on a busy machine with compilation."""
UNEXPECTED: Final = ("Traceback (most recent call last)", "failed unexpectedly")


@dataclass(frozen=True, slots=True)
class Finding:
    """One violation."""

    kind: str
    text: str


@dataclass(slots=True)
class Case:
    """One case, with its own folder, random numbers and findings."""

    part: str
    number: int
    seed: int
    folder: Path
    name: str = ""
    findings: list[Finding] = field(default_factory=list)

    @property
    def random(self) -> random.Random:
        """Return a new generator of the case's random numbers, independent of other cases."""
        return random.Random(f"{self.seed}/{self.part}/{self.number}")

    def find(self, kind: str, text: str) -> None:
        """Record a violation."""
        self.findings.append(Finding(kind, text))

    def run(self, *arguments: str) -> Ended:
        """Run a command; a traceback or a hang is a finding."""
        ended = run_apart(lambda: run_command(arguments))
        self.check(f"`{arguments[0]}`", ended)
        return ended

    def check(self, what: str, ended: Ended) -> None:
        """Record a violation if a process hung, died or failed unexpectedly."""
        if ended.hung:
            self.find(HANG, f"{what} did not end in {HANG_S:g} s")
        elif ended.code < 0:
            self.find(TRACEBACK, f"{what} died of {signal.Signals(-ended.code).name}")
        elif any(each in ended.output for each in UNEXPECTED):
            self.find(TRACEBACK, f"{what}: {ended.output.strip().splitlines()[-1][:200]}\n{ended.output[-2000:]}")

    def gate(self, ticket: str, ledger: Path) -> int:
        """Return the gate's exit code."""
        return self.run("gate", ticket, "--ledger", str(ledger)).code


@dataclass(frozen=True, slots=True)
class Ended:
    """How a process ended: its exit code (negative for a signal), and its output."""

    code: int
    output: str
    hung: bool = False


def run_apart(do: Callable[[], int], memory_bytes: int = 0) -> Ended:
    """Run a function in a forked process, which isolates it and avoids loading the program again."""
    with tempfile.TemporaryFile() as output:
        sys.stdout.flush()
        sys.stderr.flush()
        pid = os.fork()
        if pid == 0:
            _be_child(do, output.fileno(), memory_bytes)
        code, hung = _wait(pid)
        output.seek(0)
        return Ended(code, output.read().decode(errors="replace"), hung)


def _be_child(do: Callable[[], int], output: int, memory_bytes: int) -> None:
    code = 99
    try:
        os.setsid()
        os.dup2(output, 1)
        os.dup2(output, 2)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        if memory_bytes:
            resource.setrlimit(resource.RLIMIT_DATA, (memory_bytes, memory_bytes))
        code = do()
        sys.stdout.flush()
        sys.stderr.flush()
    except BaseException:
        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _wait(pid: int) -> tuple[int, bool]:
    until = time.monotonic() + HANG_S
    pause = 0.001
    while True:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status), False
        if time.monotonic() > until:
            os.killpg(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            return 0, True
        time.sleep(pause)
        pause = min(pause * 1.5, 0.05)


def install_toy(scratch: Path) -> None:
    """Install the toy plugin for this process and those that it starts."""
    site = scratch / "site"
    options = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check"]
    subprocess.run([sys.executable, "-m", "pip", "install", *options, "--target", site, TOY_SOURCE], check=True)
    sys.path.insert(0, str(site))
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(site), os.environ.get("PYTHONPATH", "")]))


def load_all() -> None:
    """Load the program before forking, to save time in every case; but not dask, which starts threads."""
    for package in (glasswright, glasswright_camera):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if not module.name.endswith(("__main__", "dask_runner")):
                import_module(module.name)
    load_plugins()


def cards_of(bench: Bench) -> list[str]:
    """Return the options for judging a night."""
    return ["--cards", str(bench.folder / "cards")]
