"""Progress of a night: a bar on a terminal, plain lines with the time elsewhere."""

from __future__ import annotations

import os
import time
from collections import Counter
from datetime import datetime
from typing import TYPE_CHECKING, Final, Protocol, Self

import click

from glasswright.formatting import format_count

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from glasswright.run.reports import TicketReport

SECONDS_BETWEEN_LINES: Final = 60.0


class Display(Protocol):
    """A display of a night's progress; also its `Listener`."""

    def __enter__(self) -> Self:
        """Start the display."""

    def __exit__(self, *error: object) -> None:
        """End the display."""

    def shot_done(self, ticket: str) -> None:
        """Count a shot."""

    def ticket_done(self, report: TicketReport) -> None:
        """Count a ticket and its verdict."""


class Tally:
    """Counts tickets, shots and verdicts, and estimates the time left."""

    def __init__(self, tickets: int, shots: int) -> None:
        """Start timing, for a total number of tickets and shots."""
        self.tickets, self.shots = tickets, shots
        self.tickets_done = self.shots_done = self.shots_measured = 0
        self.verdicts: Counter[str] = Counter()
        self._counted: Counter[str] = Counter()
        self._start = time.monotonic()

    def shot_done(self, ticket: str) -> None:
        """Count a shot that was measured."""
        self._counted[ticket] += 1
        self.shots_done += 1
        self.shots_measured += 1

    def ticket_done(self, report: TicketReport) -> None:
        """Count a ticket; its shots that were already in the ledger count as done."""
        self.tickets_done += 1
        self.shots_done += max(report.shots - self._counted.pop(report.number, 0), 0)
        if report.verdict:
            self.verdicts[report.verdict] += 1

    def seconds_left(self) -> float | None:
        """Estimate the time left from the shots measured so far."""
        if not self.shots_measured or not self.shots:
            return None
        each = (time.monotonic() - self._start) / self.shots_measured
        return each * max(self.shots - self.shots_done, 0)

    def _count_shots(self) -> str:
        if not self.shots:  # not known before the folders are listed
            return format_count(self.shots_done, "shot")
        return f"{min(self.shots_done, self.shots)} of {format_count(self.shots, 'shot')}"

    def __str__(self) -> str:
        """Return the state in one line."""
        verdicts = ", ".join(f"{count} {name}" for name, count in sorted(self.verdicts.items()))
        left = self.seconds_left()
        parts = (
            f"{self.tickets_done} of {format_count(self.tickets, 'ticket')}",
            self._count_shots(),
            "" if left is None or self.tickets_done == self.tickets else f"about {format_seconds(left)} left",
            verdicts,
        )
        return ", ".join(part for part in parts if part)


class PlainDisplay:
    """Writes a line with the time for each ticket, and one each minute in between."""

    def __init__(self, tally: Tally) -> None:
        """Show a tally."""
        self._tally = tally
        self._last = time.monotonic()

    def __enter__(self) -> Self:
        """Write the number of tickets and shots."""
        shots = f", {format_count(self._tally.shots, 'shot')}" if self._tally.shots else ""
        self._write(f"{format_count(self._tally.tickets, 'ticket')}{shots}")
        return self

    def __exit__(self, *error: object) -> None:
        """Do nothing."""

    def shot_done(self, ticket: str) -> None:
        """Count a shot."""
        self._tally.shot_done(ticket)
        if time.monotonic() - self._last >= SECONDS_BETWEEN_LINES:
            self._write(str(self._tally))

    def ticket_done(self, report: TicketReport) -> None:
        """Write that a ticket is done."""
        self._tally.ticket_done(report)
        state = report.verdict or ("measured" if report.measured else "nothing to measure")
        self._write(f"{report.number}: {state} ({self._tally})")

    def _write(self, text: str) -> None:
        self._last = time.monotonic()
        click.echo(f"{datetime.now().astimezone():%Y-%m-%d %H:%M:%S} {text}", err=True)


class BarDisplay:
    """Draws a bar on a terminal, without colours if NO_COLOR is set."""

    def __init__(self, tally: Tally) -> None:
        """Show a tally."""
        self._tally = tally
        self._progress: Progress | None = None
        self._bar: TaskID | None = None

    def __enter__(self) -> Self:
        """Draw the bar."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        console = Console(stderr=True)
        columns = (BarColumn(), TextColumn("{task.description}", markup=False))
        self._progress = Progress(*columns, console=console, transient=True)
        self._progress.start()
        self._bar = self._progress.add_task(str(self._tally), total=self._tally.shots or None)
        return self

    def __exit__(self, *error: object) -> None:
        """Remove the bar."""
        if self._progress is not None:
            self._progress.stop()

    def shot_done(self, ticket: str) -> None:
        """Count a shot."""
        self._tally.shot_done(ticket)
        self._draw()

    def ticket_done(self, report: TicketReport) -> None:
        """Count a ticket."""
        self._tally.ticket_done(report)
        self._draw()

    def _draw(self) -> None:
        if self._progress is not None and self._bar is not None:
            self._progress.update(self._bar, completed=self._tally.shots_done, description=str(self._tally))


class NoDisplay:
    """Shows nothing."""

    def __enter__(self) -> Self:
        """Do nothing."""
        return self

    def __exit__(self, *error: object) -> None:
        """Do nothing."""

    def shot_done(self, ticket: str) -> None:
        """Do nothing."""

    def ticket_done(self, report: TicketReport) -> None:
        """Do nothing."""


COLOURS: Final = {"PASS": "green", "REVIEW": "yellow", "UNKNOWN": "magenta", "FAIL": "red", "refused": "magenta"}


def paint(verdict: str) -> str:
    """Return a verdict in its colour, unless NO_COLOR is set."""
    colour = COLOURS.get(verdict)
    return click.style(verdict, fg=colour, bold=True) if colour and not os.environ.get("NO_COLOR") else verdict


def format_seconds(seconds: float) -> str:
    """Format a duration: `40 s`, `12 min`, `3 h 05 min`."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 100 else f"{minutes // 60} h {minutes % 60:02d} min"
