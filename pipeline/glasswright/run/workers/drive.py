"""The main loop of a night: keeps every process busy with a limited window of units."""

from __future__ import annotations

import heapq
from collections import deque
from itertools import count
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.run.workers.runners import Runner
    from glasswright.run.workers.work import Result, Unit


class Task(Protocol):
    """A ticket, or the night-wide steps, measured in units."""

    def start(self) -> Sequence[Unit]:
        """Return the first units; empty if there is nothing to do."""

    def accept(self, result: Result) -> Sequence[Unit]:
        """Process a unit's result; return the units that can now run."""


class Halt(Protocol):
    """The state of a request to stop."""

    def is_stopped(self) -> bool:
        """Return whether nothing new may begin."""

    def is_overdue(self) -> bool:
        """Return whether running units must be abandoned."""


def drive(tasks: Iterable[Task], runner: Runner, halt: Halt) -> None:
    """Run tasks, with the units of earlier ones first.

    A new task begins only when no unit is left to submit. At most one task more than there are workers is open at a
    time, because open tasks must be repeated if the night ends early. After a stop nothing new is submitted; running
    units are awaited until they are overdue.
    """
    waiting = deque(enumerate(tasks))
    board = _Board()
    under_way = 0
    while True:
        while under_way < runner.width and not halt.is_stopped():
            unit = board.next_unit()
            if unit is not None:
                runner.submit(unit)
                under_way += 1
            elif waiting and board.count_open() <= runner.workers:
                number, task = waiting.popleft()
                board.add(number, task, task.start())
            else:
                break
        if under_way == 0:
            return
        done = runner.next_done(halt.is_overdue)
        if done is None:
            return
        name, result = done
        under_way -= 1
        number, task = board.close(name)
        board.add(number, task, task.accept(result))


class _Board:
    """The ready and running units, with their tasks."""

    def __init__(self) -> None:
        self._ready: list[tuple[int, int, Unit]] = []
        self._owners: dict[str, tuple[int, Task]] = {}
        self._places = count()

    def add(self, number: int, task: Task, units: Sequence[Unit]) -> None:
        for unit in units:
            self._owners[unit.name] = (number, task)
            heapq.heappush(self._ready, (number, next(self._places), unit))

    def next_unit(self) -> Unit | None:
        return heapq.heappop(self._ready)[2] if self._ready else None

    def close(self, name: str) -> tuple[int, Task]:
        return self._owners.pop(name)

    def count_open(self) -> int:
        return len({number for number, _ in self._owners.values()})
