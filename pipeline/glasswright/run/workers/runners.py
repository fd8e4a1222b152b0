"""Runners of units of work: in this process or in others, with the same results."""

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
    """Runs units of work."""

    workers: int
    """Number of units that run at a time."""
    width: int
    """Number of units to submit at a time, so that no worker waits for the next."""

    def __enter__(self) -> Self:
        """Start."""

    def __exit__(self, *error: object) -> None:
        """Stop; running units are abandoned."""

    def submit(self, unit: Unit) -> None:
        """Accept a unit."""

    def next_done(self, is_overdue: Callable[[], bool]) -> tuple[str, Result] | None:
        """Wait for a unit; return its name and result, or None once it is overdue."""


class SerialRunner:
    """Runs one unit after another in this process, for debugging; a step that kills the process ends the night."""

    workers = 1
    width = 1

    def __init__(self) -> None:
        """Start without units."""
        self._units: deque[tuple[str, bytes]] = deque()

    def __enter__(self) -> Self:
        """Start."""
        return self

    def __exit__(self, *error: object) -> None:
        """Stop."""
        self._units.clear()

    def submit(self, unit: Unit) -> None:
        """Accept a unit."""
        # copied as for another process, so that a stage that modifies its input does not affect others
        self._units.append((unit.name, pickle.dumps(unit)))

    def next_done(self, is_overdue: Callable[[], bool]) -> tuple[str, Result] | None:
        """Run the next unit."""
        if is_overdue():
            return None
        name, payload = self._units.popleft()
        # standard output is for the summary alone
        with redirect_stdout(sys.stderr):
            return name, perform(pickle.loads(payload), NoWatch())
