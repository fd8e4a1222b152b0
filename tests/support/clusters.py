"""A scheduler and workers as processes of their own, which tests and `ci/bench fleet` start and kill."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress

import psutil

THREADS = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")


class Cluster:
    """Runs in a folder that is not the night's.

    Parameters
    ----------
    folder
        Is made.
    stack
        Ends the processes when it closes.
    host
        Address of the scheduler.
    prefix
        Words before the scheduler's command, for example to enter a network namespace.
    """

    def __init__(self, folder, stack, host="127.0.0.1", prefix=()):
        self.folder, self.stack, self.host, self.prefix = folder, stack, host, prefix
        folder.mkdir()
        self.scheduler, self.port = None, 0
        self.workers = []
        self.start_scheduler()

    @property
    def address(self):
        return f"tcp://{self.host}:{self.port}"

    def start_scheduler(self):
        printed = self.folder / "scheduler.json"
        printed.unlink(missing_ok=True)
        options = ["--host", self.host, "--port", str(self.port), "--no-dashboard", "--scheduler-file", str(printed)]
        self.scheduler = self._start([*self.prefix], "scheduler", *options)
        wait_for(printed.exists)
        time.sleep(0.1)
        address = json.loads(printed.read_text())["address"]
        self.port = int(address.rpartition(":")[2])

    def add_worker(self, *options, nanny=True, prefix=(), **environment):
        more = [] if nanny else ["--no-nanny"]
        how = ["--nthreads", "1", "--no-dashboard", "--local-directory", str(self.folder), *more, *options]
        self.workers.append(self._start([*prefix], "worker", self.address, *how, **environment))
        return self.workers[-1]

    def _start(self, prefix, *words, **environment):
        process = subprocess.Popen(
            [*prefix, sys.executable, "-m", "dask", *words],
            cwd=self.folder,
            env={**os.environ, **THREADS, **environment},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        self.stack.callback(end, process)
        return process


def end(process):
    """End a process and its children, which are a group of their own."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


def wait_for(what, seconds=60):
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def children_of(pid):
    """Return the processes that measure below a nanny, without its resource tracker."""
    try:
        found = psutil.Process(pid).children()
        return [each.pid for each in found if "spawn_main" in " ".join(each.cmdline())]
    except psutil.NoSuchProcess:
        return []
