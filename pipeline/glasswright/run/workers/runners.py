"""How units of work get done: here, or in other processes. Which of the two changes nothing but the time."""

from __future__ import annotations

import pickle
import sys
from collections import deque
from contextlib import redirect_stdout
from typing import TYPE_CHECKING, Protocol, Self

from glasswright.run.workers.work import NoWatch, perform

if TYPE_CHECKING:
    from collections.abc import Callable

    from glasswright.run.workers.work import Result, Unit


class Runner(Protocol):
    """Does units of work."""

    workers: int
    """How many units are done at a time."""
    width: int
    """How many are best submitted at a time, so that no worker waits for the next."""

    def __enter__(self) -> Self:
        """Start."""

    def __exit__(self, *error: object) -> None:
        """Stop; what is under way is given up."""

    def submit(self, unit: Unit) -> None:
        """Take on a unit."""

    def next_done(self, is_overdue: Callable[[], bool]) -> tuple[str, Result] | None:
        """Wait for a unit to be done; return its name and its result, or None once that is overdue."""


class SerialRunner:
    """Does one unit after another in this process, for debugging; a step that kills the process ends the night."""

    workers = 1
    width = 1

    def __init__(self) -> None:
        """Begin with nothing to do."""
        self._units: deque[tuple[str, bytes]] = deque()

    def __enter__(self) -> Self:
        """Start."""
        return self

    def __exit__(self, *error: object) -> None:
        """Stop."""
        self._units.clear()

    def submit(self, unit: Unit) -> None:
        """Take on a unit."""
        # copied as for another process, so that a stage that changes its input changes nobody else's here either
        self._units.append((unit.name, pickle.dumps(unit)))

    def next_done(self, is_overdue: Callable[[], bool]) -> tuple[str, Result] | None:
        """Do the next unit."""
        if is_overdue():
            return None
        name, payload = self._units.popleft()
        # standard output is for the summary alone, whatever a stage prints
        with redirect_stdout(sys.stderr):
            return name, perform(pickle.loads(payload), NoWatch())
