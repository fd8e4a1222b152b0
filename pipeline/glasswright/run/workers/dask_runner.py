"""Runs units of work in dask's worker processes. The only module that uses dask."""

from __future__ import annotations

import faulthandler
import itertools
import logging
import os
import pickle
import queue
import signal
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from multiprocessing import resource_tracker
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, TextIO

from glasswright.errors import GlasswrightError
from glasswright.processes import end_with_parent
from glasswright.run.workers.limits import ONE_THREAD
from glasswright.run.workers.rescue import Alone, do_alone
from glasswright.run.workers.stopping import SIGNALS
from glasswright.run.workers.work import perform

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from glasswright.plugin.outcome import Outcome
    from glasswright.run.workers.limits import Limits
    from glasswright.run.workers.work import Result, Unit

UNITS_A_WORKER: Final = 3
"""Size of the window per worker: one unit running, one waiting, one in transit; results are committed soon."""
SETTINGS: Final = {
    # results are small; spilling to disk would only hide a bug
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": 0.8,
    "distributed.worker.memory.terminate": 0.95,
    # units are similar in size, and the window balances them
    "distributed.scheduler.work-stealing": False,
    # a unit whose process died is repeated alone, which shows whether it was the cause
    "distributed.scheduler.allowed-failures": 0,
    "distributed.nanny.pre-spawn-environ": dict(ONE_THREAD),
    "distributed.admin.tick.limit": "1 hour",
    # both ends of a connection keep the last messages for debugging, with their payloads
    "distributed.admin.low-level-log-length": 10,
    # imported by each worker, which then calls `dask_setup`
    "distributed.worker.preload": [__name__],
}
MOST_STARTS: Final = 2
"""Attempts to start the workers: one may be killed while it starts, for example by a kernel short of memory."""
OVERDUE_S: Final = 0.1
"""Interval at which a wait checks whether it is overdue."""


class WorkersError(GlasswrightError):
    """The worker processes cannot be started."""


class DaskRunner:
    """Runs units in single-threaded worker processes; a unit whose process dies is repeated alone."""

    def __init__(self, workers: int, limits: Limits) -> None:
        """Set the number of workers; they are started by `__enter__`."""
        self.width = UNITS_A_WORKER * workers
        self.workers = workers
        self._limits = limits
        self._done: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._numbers = itertools.count()
        self._units: dict[str, Unit] = {}
        self._alone = Alone()
        self._stack = ExitStack()

    def __enter__(self) -> Self:
        """Start the workers."""
        import dask
        from distributed import Client

        self._stack.enter_context(dask.config.set(SETTINGS))
        with _signals_held():
            self._cluster = self._stack.enter_context(self._start_workers())
            self._client = self._stack.enter_context(Client(self._cluster))  # type: ignore[no-untyped-call]
        self._rescuer = ThreadPoolExecutor(max_workers=1)
        self._stack.callback(self._rescuer.shutdown, cancel_futures=True)
        self._stack.callback(self._give_up)
        return self

    def _start_workers(self) -> Any:  # noqa: ANN401 - dask has no types
        """Start the worker processes, a second time if one dies while starting.

        Raises
        ------
        WorkersError
            If that also fails.
        """
        from distributed import LocalCluster

        for attempt in range(1, MOST_STARTS + 1):
            try:
                return LocalCluster(  # type: ignore[no-untyped-call]
                    n_workers=self.workers,
                    threads_per_worker=1,
                    processes=True,
                    # no dashboard; its web server starts anyway, so give it a free port
                    dashboard_address="127.0.0.1:0",
                    scheduler_kwargs={"dashboard": False},
                    memory_limit=self._limits.memory_bytes or None,
                    silence_logs=logging.CRITICAL,
                )
            except (RuntimeError, OSError) as error:
                if attempt == MOST_STARTS:
                    why = error.__cause__ or error
                    raise WorkersError(
                        f"the worker processes do not start ({type(why).__name__}: {why}): free memory, give fewer "
                        "--workers, or use --serial, and run again; nothing kept is lost"
                    ) from error
        raise AssertionError("the last start either succeeded or raised")

    def __exit__(self, *error: object) -> None:
        """Stop the workers."""
        self._stack.close()

    def submit(self, unit: Unit) -> None:
        """Send a unit to a worker as pickled bytes."""
        self._units[unit.name] = unit
        key = f"unit-{next(self._numbers)}-{unit.name}"
        payload = pickle.dumps(unit)
        future = self._client.submit(do_payload, payload, self._limits.step_s, key=key, pure=False, retries=0)
        future.add_done_callback(lambda done: self._done.put((unit.name, done)))

    def next_done(self, is_overdue: Callable[[], bool]) -> tuple[str, Result] | None:
        """Wait for a unit; a lost one is repeated alone in the background."""
        while not is_overdue():
            try:
                name, future = self._done.get(timeout=OVERDUE_S)
            except queue.Empty:
                continue
            if isinstance(future, Future):
                del self._units[name]
                return name, future.result()
            payload = _payload_of(future)
            future.release()
            if payload is not None:
                del self._units[name]
                result: Result = pickle.loads(payload)
                return name, result
            self._do_alone(name)
        return None

    def _do_alone(self, name: str) -> None:
        future = self._rescuer.submit(do_alone, self._units[name], self._limits, self._alone)
        future.add_done_callback(lambda done: self._done.put((name, done)))

    def _give_up(self) -> None:
        """Kill workers with unfinished units; closing would wait for them."""
        self._alone.give_up()
        if not self._units:
            return
        for nanny in self._cluster.workers.values():
            nanny.auto_restart = False
            pid = getattr(nanny.process, "pid", None)
            if pid is not None:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)


@contextmanager
def _signals_held() -> Iterator[None]:
    """Block the stop signals in all threads and processes that are started inside, permanently.

    This thread receives pending signals at the end.
    """
    # the resource tracker must already run: starting it would unblock the signals
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def dask_setup(worker: object) -> None:
    """Let a worker process end with its parent, even in compiled code; called by distributed."""
    del worker
    end_with_parent(os.getppid())


def _payload_of(future: Any) -> bytes | None:  # noqa: ANN401 - dask has no types
    """Return what a worker sent back, or None if it died first."""
    from distributed import KilledWorker

    if future.status != "finished":
        return None
    try:
        payload: bytes = future.result()
    except (KilledWorker, CancelledError, OSError, RuntimeError):
        return None
    return payload


class Timer:
    """Time limit of a step: ends the worker's process, since nothing else can stop a hanging step."""

    def __init__(self, step_s: float) -> None:
        """Set the time limit of a step, in seconds."""
        self._step_s = step_s

    def begin(self, name: str) -> None:
        """Start the time limit of a step."""
        del name
        # the traceback is reported when the unit is repeated alone
        faulthandler.dump_traceback_later(self._step_s, exit=True, file=_nowhere())

    def done(self, outcome: Outcome) -> None:
        """Do nothing: the next step, or the end, resets the time limit."""


@cache
def _nowhere() -> TextIO:
    """Return a null file that stays open as long as the process, which faulthandler needs."""
    return Path(os.devnull).open("w")


@cache
def _keep_standard_output_clean() -> None:
    """Redirect standard output to standard error: standard output is for the summary alone."""
    os.dup2(2, 1)


def do_payload(payload: bytes, step_s: float) -> bytes:
    """Run a unit in a worker."""
    _keep_standard_output_clean()
    try:
        return pickle.dumps(perform(pickle.loads(payload), Timer(step_s)))
    finally:
        faulthandler.cancel_dump_traceback_later()
