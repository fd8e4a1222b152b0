"""The loop of a night: keeps every process busy, and never holds more than a window of work."""

from __future__ import annotations

import heapq
from collections import deque
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from glasswright.night.runners import Runner
    from glasswright.night.work import Result, Unit


class Task(Protocol):
    """Something that is measured in units, one lot after another: a ticket, or the night-wide steps."""

    def start(self) -> Sequence[Unit]:
        """Give the first units; none if there is nothing to do."""

    def accept(self, result: Result) -> Sequence[Unit]:
        """Take a unit's result and give the units that it sets free."""


def drive(tasks: Iterable[Task], runner: Runner, is_stopped: Callable[[], bool]) -> None:
    """Do tasks, the units of earlier ones first; a new task is begun only when no unit is left to submit.

    Once stopped, nothing new is submitted, and what is under way is waited for and accepted.
    """
    waiting = deque(enumerate(tasks))
    ready: list[tuple[int, int, Unit]] = []
    owners: dict[str, tuple[int, Task]] = {}
    under_way = 0
    while True:
        while under_way < runner.width and not is_stopped():
            if not ready and not waiting:
                break
            if not ready:
                number, task = waiting.popleft()
                _add(ready, owners, number, task, task.start())
                continue
            runner.submit(heapq.heappop(ready)[2])
            under_way += 1
        if under_way == 0:
            return
        name, result = runner.next_done()
        under_way -= 1
        number, task = owners.pop(name)
        _add(ready, owners, number, task, task.accept(result))


def _add(
    ready: list[tuple[int, int, Unit]],
    owners: dict[str, tuple[int, Task]],
    number: int,
    task: Task,
    units: Sequence[Unit],
) -> None:
    for place, unit in enumerate(units):
        owners[unit.name] = (number, task)
        heapq.heappush(ready, (number, place, unit))
