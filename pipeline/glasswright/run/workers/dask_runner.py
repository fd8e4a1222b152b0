"""Runs units of work in dask's worker processes, on this machine or on a cluster. The only module that uses dask.

Each unit is pinned to one worker. A shot that kills its worker therefore kills no second one, and this module, not the
scheduler, decides what happens next: a worker repeats the unit in a separate process, which either succeeds or
identifies the unit as the cause.
"""

from __future__ import annotations

import faulthandler
import itertools
import logging
import os
import pickle
import queue
import signal
import sys
import time
from collections import Counter, deque
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from functools import cache
from multiprocessing import resource_tracker
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, TextIO

from glasswright.errors import GlasswrightError
from glasswright.processes import end_with_parent
from glasswright.run.workers.limits import ONE_THREAD, memory_of_worker
from glasswright.run.workers.program import Program, describe_program, find_differences
from glasswright.run.workers.rescue import STARTING_S, do_alone
from glasswright.run.workers.stopping import SIGNALS
from glasswright.run.workers.work import IndexFailure, MeasureUnit, crashed, perform

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from glasswright.plugin.outcome import Outcome
    from glasswright.run.workers.limits import Limits
    from glasswright.run.workers.program import Question
    from glasswright.run.workers.work import Result, Unit

UNITS_A_WORKER: Final = 3
"""One running, one waiting at the worker, one on the way; few, so that results are committed soon."""
SETTINGS: Final = {
    # results are small; spilling to disk would hide large ones
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": 0.8,
    "distributed.worker.memory.terminate": 0.95,
    # units are alike, and the window balances the load
    "distributed.scheduler.work-stealing": False,
    # a unit whose process died is repeated alone
    "distributed.scheduler.allowed-failures": 0,
    "distributed.nanny.pre-spawn-environ": dict(ONE_THREAD),
    "distributed.admin.tick.limit": "1 hour",
    # both ends of a connection keep the last messages for debugging, with their payloads
    "distributed.admin.low-level-log-length": 10,
}
LOCAL_SETTINGS: Final = {
    # imported by each worker, which then calls `dask_setup`
    "distributed.worker.preload": [__name__],
}
MOST_STARTS: Final = 2
"""Attempts to start workers here: one may be killed while it starts, for example by a kernel short of memory."""
MOST_TRIES: Final = 5
"""Attempts to run a unit whose worker is lost each time while it runs, or the scheduler."""
MOST_CONNECTIONS: Final = 12
"""Attempts to reach a lost scheduler."""
CONNECTING_S: Final = 5.0
"""Time limit of each attempt, and pause before the next."""
FETCHING_S: Final = 10.0
"""Time limit for fetching a result, which is small; its worker may have died since it reported the result."""
ANSWER_S: Final = 60.0
"""Time for a worker to describe itself: it imports the libraries first, perhaps from a slow disk."""
ANSWER_HERE_S: Final = 600.0
"""The same for workers on this machine, whose processes have started: it may only be busy."""
WITHOUT_WORKERS_S: Final = 120.0
"""Time that a night waits when no worker is left; a nanny or service manager may start others."""
LOOK_S: Final = 0.5
"""Interval at which the list of workers is read."""
WAIT_S: Final = 0.1
"""Interval at which a wait checks whether it is overdue."""


class WorkersError(GlasswrightError):
    """There are no workers to measure with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """A unit or a question that was sent to a worker."""

    name: str
    """Name of the unit; empty for the question."""
    worker: str
    future: Any
    due: float
    """Deadline on the monotonic clock; a worker that has not answered by then is lost."""


class DaskRunner:
    """Runs units in single-threaded worker processes."""

    def __init__(self, question: Question, limits: Limits, *, workers: int = 0, address: str = "") -> None:
        """Prepare; `__enter__` starts or reaches the workers.

        Parameters
        ----------
        question
            Put to each worker before it receives a shot.
        limits
            Limits of a unit.
        workers
            Number of worker processes to start here.
        address
            Address of a running scheduler, used instead of workers here.
        """
        self.workers = max(workers, 1)
        self.width = UNITS_A_WORKER * self.workers
        self._count, self._address = workers, address
        self._answer_s = ANSWER_S if address else ANSWER_HERE_S
        self._question, self._limits = question, limits
        self._stack = ExitStack()
        self._cluster: Any = None
        self._client: Any = None
        self._own: Program | None = None
        self._numbers = itertools.count()
        self._done: queue.SimpleQueue[int] = queue.SimpleQueue()
        self._sent: dict[int, Sent] = {}
        self._units: dict[str, Unit] = {}
        self._waiting: deque[str] = deque()
        self._alone: set[str] = set()
        """Units to run in a separate process."""
        self._tries: Counter[str] = Counter()
        self._running: dict[str, int] = {}
        """Lost worker -> number of the unit that it was running."""
        self._accepted: set[str] = set()
        self._refused: dict[str, str] = {}
        self._given_up: deque[str] = deque()
        self._looked_at = self._workers_seen_at = 0.0
        self._connections, self._next_connection = 0, 0.0

    def __enter__(self) -> Self:
        """Start or reach the workers, and put the question to each."""
        import dask
        import distributed  # noqa: F401 - sets its defaults, which the next line would discard

        self._stack.enter_context(dask.config.set({**SETTINGS, **({} if self._address else LOCAL_SETTINGS)}))
        self._stack.enter_context(_quiet())
        try:
            with _signals_held():
                if not self._address:
                    self._cluster = self._stack.enter_context(self._start_workers())
                self._stack.callback(self._close_client)
                self._stack.callback(self._give_up)
                self._connect()
            self._own = replace(describe_program(self._question, {}), faults=())
            self._hear_first_answers()
        except BaseException:
            self._stack.close()
            raise
        return self

    def _start_workers(self) -> Any:  # noqa: ANN401 - dask has no types
        """Start the worker processes; if one dies meanwhile, try once more.

        Raises
        ------
        WorkersError
            If the second attempt fails.
        """
        from distributed import LocalCluster

        for attempt in range(1, MOST_STARTS + 1):
            try:
                return LocalCluster(  # type: ignore[no-untyped-call]
                    n_workers=self._count,
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
        """Stop workers started here, and disconnect from the cluster."""
        self._stack.close()

    def submit(self, unit: Unit) -> None:
        """Accept a unit."""
        if not self._units:
            self._workers_seen_at = time.monotonic()
        self._units[unit.name] = unit
        self._waiting.append(unit.name)

    def next_done(self, is_overdue: Callable[[], bool]) -> tuple[str, Result] | None:
        """Wait for a unit; units of lost workers are repeated meanwhile.

        Raises
        ------
        WorkersError
            If no worker or scheduler is left, and none returns.
        """
        while not is_overdue():
            self._look()
            self._send_waiting()
            if self._given_up:
                name = self._given_up.popleft()
                return name, give_up(self._units.pop(name))
            done = self._next_answer()
            if done is not None:
                return done
        return None

    def _next_answer(self) -> tuple[str, Result] | None:
        """Wait briefly for an answer; return a unit's name and result, or process the answer to a question."""
        try:
            number = self._done.get(timeout=WAIT_S)
        except queue.Empty:
            return None
        sent = self._sent.get(number)
        if sent is None:
            return None  # from a worker that counts as lost
        if not sent.name:
            del self._sent[number]
            self._judge_worker(sent)
            return None
        payload = _payload_of(sent.future)
        was_cancelled = sent.future.status == "cancelled"
        sent.future.release()
        if payload is None:
            # a cancelled unit was lost with its scheduler; it is not the cause
            self._lose(number, suspect=not was_cancelled)
            return None
        del self._sent[number]
        self._alone.discard(sent.name)
        del self._units[sent.name]
        result: Result = pickle.loads(payload)
        return sent.name, result

    # ---- units

    def _send_waiting(self) -> None:
        """Send units to the workers with the fewest, up to the window."""
        load = Counter(each.worker for each in self._sent.values() if each.name)
        while self._waiting and self._accepted and self._client is not None:
            worker = min(sorted(self._accepted), key=lambda each: load[each])
            if load[worker] >= UNITS_A_WORKER:
                return
            load[worker] += 1
            name = self._waiting.popleft()
            unit = self._units[name]
            steps = len(unit.instances) if isinstance(unit, MeasureUnit) else 1
            limits = self._limits
            if self._address:
                # the workers of a machine share its memory
                limits = replace(limits, workers=sum(_host(each) == _host(worker) for each in self._accepted))
            arguments = (pickle.dumps(unit), limits, name in self._alone)
            self._send(name, worker, UNITS_A_WORKER * (STARTING_S + self._limits.step_s * (steps + 1)), *arguments)

    def _send(self, name: str, worker: str, seconds: float, *arguments: object) -> None:
        """Send a unit or the question to one worker."""
        number = next(self._numbers)
        future = self._client.submit(
            do_payload if name else answer,
            *arguments,
            key=f"unit-{os.getpid()}-{time.time_ns()}-{number}-{name}",
            pure=False,
            retries=0,
            workers=[worker],
            allow_other_workers=False,
        )
        self._sent[number] = Sent(name=name, worker=worker, future=future, due=time.monotonic() + seconds)
        future.add_done_callback(lambda _: self._done.put(number))

    def _lose(self, number: int, *, suspect: bool) -> None:
        """Queue a unit again; in a separate process if it may have killed its worker.

        Only the unit that was sent first was running; for the others, which waited behind it, the loss does not count
        as a try.
        """
        first = min(each for each, other in self._sent.items() if other.worker == self._sent[number].worker)
        sent = self._sent.pop(number)
        if self._running.setdefault(sent.worker, first) == number or not suspect:
            self._tries[sent.name] += 1
        if self._tries[sent.name] >= MOST_TRIES:
            self._given_up.append(sent.name)
            return
        if suspect:
            self._alone.add(sent.name)
            # a live worker is asked again; a dead one receives nothing more
            self._accepted.discard(sent.worker)
        self._waiting.appendleft(sent.name)

    # ---- workers

    def _look(self, *, now: bool = False) -> None:
        """Read the list of workers: put the question to new ones, and requeue the units of lost ones."""
        clock = time.monotonic()
        if not now and clock < self._looked_at + LOOK_S:
            return
        self._looked_at = clock
        if self._client is None:
            self._reconnect(clock)
            return
        from distributed.comm.core import CommClosedError

        try:
            present = dict(
                self._client.sync(self._client.scheduler.ncores, workers=None, callback_timeout=CONNECTING_S)
            )
        except (OSError, CommClosedError, RuntimeError, ValueError) as error:
            # on a busy machine the scheduler in this process may be slow, but it is not gone
            if self._cluster is None or not isinstance(error, TimeoutError):
                self._lose_scheduler(clock)
            return
        for number, sent in list(self._sent.items()):
            if sent.worker not in present or clock > sent.due:
                sent.future.cancel()
                if sent.worker in present:
                    self._refuse(sent.worker, "did not answer in time")
                if sent.name:
                    self._lose(number, suspect=True)
                else:
                    del self._sent[number]
        self._accepted &= present.keys()
        self._refused = {worker: why for worker, why in self._refused.items() if worker in present}
        asked = {sent.worker for sent in self._sent.values() if not sent.name}
        for worker in sorted(present.keys() - self._accepted - self._refused.keys() - asked):
            if present[worker] != 1:
                self._refuse(worker, f"has {present[worker]} threads: start it with --nthreads 1")
            else:
                self._send("", worker, self._answer_s, pickle.dumps(self._question))
        self._note_width()
        if self._accepted or asked or not (self._waiting or self._sent):
            self._workers_seen_at = clock
        elif clock > self._workers_seen_at + WITHOUT_WORKERS_S:
            raise WorkersError(
                f"no worker is left, and none came within {WITHOUT_WORKERS_S:g} s{self._why_refused()}: start workers "
                "and run again; nothing kept is lost"
            )

    def _note_width(self) -> None:
        self.workers = max(len(self._accepted), 1)
        self.width = UNITS_A_WORKER * self.workers

    def _judge_worker(self, sent: Sent) -> None:
        """Accept or refuse a worker by its answer."""
        if sent.future.status == "finished":
            answer = _payload_of(sent.future)
            if answer is None:
                return  # the connection broke: the worker is asked again
            differences = find_differences(self._program, pickle.loads(answer))
        elif sent.future.status in ("cancelled", "lost"):
            return
        else:
            error = sent.future.exception()
            differences = [
                f"cannot say what it runs ({type(error).__name__}: {error}): is glasswright installed there?"
            ]
        if differences:
            self._refuse(sent.worker, "; ".join(differences))
        else:
            self._accepted.add(sent.worker)
            self._running.pop(sent.worker, None)
            self._note_width()

    @property
    def _program(self) -> Program:
        if self._own is None:
            raise AssertionError("a worker answered before this process had described itself")
        return self._own

    def _refuse(self, worker: str, why: str) -> None:
        self._accepted.discard(worker)
        self._refused[worker] = why
        print(f"glasswright: worker {worker} is given nothing: it {why}", file=sys.stderr)  # noqa: T201

    def _why_refused(self) -> str:
        return "".join(f"; worker {worker} {why}" for worker, why in sorted(self._refused.items()))

    def _hear_first_answers(self) -> None:
        """Wait until every present worker has answered.

        Raises
        ------
        WorkersError
            If no worker is accepted.
        """
        deadline = time.monotonic() + self._answer_s
        self._workers_seen_at = time.monotonic()
        while time.monotonic() < deadline:
            self._look()
            self._next_answer()
            heard = not any(not sent.name for sent in self._sent.values())
            if heard and (self._accepted or self._refused) and len(self._accepted) >= min(self._count, 1):
                break
        if not self._accepted:
            if self._refused:
                raise WorkersError(
                    f"no worker runs what this night does{self._why_refused()}: install the same there, start the "
                    "workers again, and run again"
                )
            where = f"the scheduler at {self._address} has no workers" if self._address else "no worker answers"
            raise WorkersError(f"{where}: start some, and run again")

    # ---- the scheduler

    def _connect(self) -> None:
        """Connect to the scheduler.

        Raises
        ------
        WorkersError
            If it does not answer.
        """
        from distributed import Client

        try:
            longest = CONNECTING_S if self._cluster is None else self._answer_s
            self._client = Client(self._cluster or self._address, timeout=longest, set_as_default=False)  # type: ignore[no-untyped-call]
        except (OSError, ValueError, TypeError, RuntimeError) as error:
            what = f"the scheduler at {self._address} cannot be reached ({type(error).__name__}: {error})"
            raise WorkersError(
                f"{what}: start it, or correct --cluster, and run again; nothing kept is lost"
            ) from error

    def _lose_scheduler(self, clock: float) -> None:
        """Requeue all units; the connection is retried."""
        print("glasswright: the scheduler is gone; waiting for it", file=sys.stderr)  # noqa: T201
        self._close_client()
        for number, each in reversed(list(self._sent.items())):
            if each.name:
                self._lose(number, suspect=False)
        self._sent = {}
        self._accepted.clear()
        self._refused.clear()
        self._connections, self._next_connection = 0, clock + CONNECTING_S

    def _reconnect(self, clock: float) -> None:
        if clock < self._next_connection:
            return
        self._connections += 1
        try:
            self._connect()
        except WorkersError as error:
            if self._connections >= MOST_CONNECTIONS:
                raise WorkersError(f"{error}; tried {MOST_CONNECTIONS} times, every {CONNECTING_S:g} s") from error
            self._next_connection = time.monotonic() + CONNECTING_S
            return
        self._workers_seen_at = time.monotonic()

    def _close_client(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(Exception):  # a lost connection may raise anything
                client.close(timeout=2)

    def _give_up(self) -> None:
        """Kill workers with unfinished units; closing would wait for them."""
        if not self._units:
            return
        if self._cluster is None:
            for sent in self._sent.values():
                with suppress(Exception):
                    sent.future.cancel()
            return
        for nanny in self._cluster.workers.values():
            nanny.auto_restart = False
            pid = getattr(nanny.process, "pid", None)
            if pid is not None:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)


def give_up(unit: Unit) -> Result:
    """Return the outcomes of a unit that no worker survived."""
    why = f"given up after {MOST_TRIES} tries: each time its worker or the scheduler was lost"
    if not isinstance(unit, MeasureUnit):
        return IndexFailure(reason=why)
    return tuple(crashed(each.key, unit, why) for each in unit.instances if each.key not in unit.again)


def _host(worker: str) -> str:
    """Return the machine in a worker's address."""
    return worker.rpartition(":")[0]


@contextmanager
def _quiet() -> Iterator[None]:
    """Silence dask's messages about lost connections; this module reports them."""
    logger = logging.getLogger("distributed")
    before = logger.level
    logger.setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        logger.setLevel(before)


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
    if future.status != "finished":
        return None
    try:
        payload: bytes = future.result(timeout=FETCHING_S)
    except Exception:  # whatever dask raises, the result is lost
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


_loaded: dict[str, str] = {}
"""Module -> digest of the source that this worker imported; later changes of the files do not count."""


def answer(question: bytes) -> bytes:
    """Describe the worker; runs in the worker."""
    return pickle.dumps(describe_program(pickle.loads(question), _loaded))


def do_payload(payload: bytes, limits: Limits, alone: bool) -> bytes:
    """Run a unit in the worker, or in a process that it starts."""
    _keep_standard_output_clean()
    if limits.workers:
        limits = replace(limits, memory_bytes=memory_of_worker(limits.workers))
    if alone:
        return pickle.dumps(do_alone(pickle.loads(payload), limits))
    try:
        return pickle.dumps(perform(pickle.loads(payload), Timer(limits.step_s)))
    finally:
        faulthandler.cancel_dump_traceback_later()
