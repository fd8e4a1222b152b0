"""What all parts of the campaign share: commands run in processes of their own, and what can be wrong with one case."""

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
"""Far beyond what any case takes, also on a crowded machine, and where hot loops are compiled first."""
UNEXPECTED: Final = ("Traceback (most recent call last)", "failed unexpectedly")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that must not have happened."""

    kind: str
    text: str


@dataclass(slots=True)
class Case:
    """One case: its own folder, its own random numbers, and what was found wrong."""

    part: str
    number: int
    seed: int
    folder: Path
    name: str = ""
    findings: list[Finding] = field(default_factory=list)

    @property
    def random(self) -> random.Random:
        """Return the case's random numbers from their start; they do not depend on other cases."""
        return random.Random(f"{self.seed}/{self.part}/{self.number}")

    def find(self, kind: str, text: str) -> None:
        """Note something that must not have happened."""
        self.findings.append(Finding(kind, text))

    def run(self, *arguments: str) -> Ended:
        """Run a command; a traceback or a hang is a finding."""
        ended = run_apart(lambda: run_command(arguments))
        self.check(f"`{arguments[0]}`", ended)
        return ended

    def check(self, what: str, ended: Ended) -> None:
        """Note a process that hung, died or failed unexpectedly."""
        if ended.hung:
            self.find(HANG, f"{what} did not end in {HANG_S:g} s")
        elif ended.code < 0:
            self.find(TRACEBACK, f"{what} died of {signal.Signals(-ended.code).name}")
        elif any(each in ended.said for each in UNEXPECTED):
            self.find(TRACEBACK, f"{what}: {ended.said.strip().splitlines()[-1][:200]}\n{ended.said[-2000:]}")

    def gate(self, ticket: str, ledger: Path) -> int:
        """Return the gate's exit code."""
        return self.run("gate", ticket, "--ledger", str(ledger)).code


@dataclass(frozen=True, slots=True)
class Ended:
    """How a process ended: its exit code (minus the signal that killed it), and all that it said."""

    code: int
    said: str
    hung: bool = False


def run_apart(do: Callable[[], int], memory_bytes: int = 0) -> Ended:
    """Do something in a forked process: what it breaks stays there, and loading the program is paid once."""
    with tempfile.TemporaryFile() as said:
        sys.stdout.flush()
        sys.stderr.flush()
        pid = os.fork()
        if pid == 0:
            _be_child(do, said.fileno(), memory_bytes)
        code, hung = _wait(pid)
        said.seek(0)
        return Ended(code, said.read().decode(errors="replace"), hung)


def _be_child(do: Callable[[], int], said: int, memory_bytes: int) -> None:
    code = 99
    try:
        os.setsid()
        os.dup2(said, 1)
        os.dup2(said, 2)
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
    """Load the program before anything is forked, so that no case pays for it; but not dask, which starts threads."""
    for package in (glasswright, glasswright_camera):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if not module.name.endswith(("__main__", "dask_runner")):
                import_module(module.name)
    load_plugins()


def cards_of(bench: Bench) -> list[str]:
    """Return the option that judges a night."""
    return ["--cards", str(bench.folder / "cards")]
