"""Stopping a night: after the first signal running units have a few seconds to end; a second one ends it at once.

Worker processes ignore signals to the whole group (a terminal's Ctrl-C, a service manager's SIGTERM); this process
decides, and they end with it.
"""

from __future__ import annotations

import os
import signal
import time
from typing import TYPE_CHECKING, Any, Final, Self

if TYPE_CHECKING:
    from types import FrameType

SIGNALS: Final = (signal.SIGTERM, signal.SIGINT)
GRACE_S: Final = 8.0
"""Time for running units to end; a shot takes about a second. Container managers kill 10 s after SIGTERM, systemd 90 s
(their defaults)."""
LAST_S: Final = 8.0
"""Further time for cleaning up; then the process ends in any case."""
ENDED: Final = 1


class Stop:
    """Listens for SIGTERM and SIGINT while it is open."""

    def __init__(self) -> None:
        """Start unstopped."""
        self.by = ""
        self._overdue_at = float("inf")
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> Self:
        """Install the signal handlers."""
        for each in SIGNALS:
            self._before[each] = signal.signal(each, self._take)
        self._before[signal.SIGALRM] = signal.signal(signal.SIGALRM, self._end)
        return self

    def __exit__(self, *error: object) -> None:
        """Restore the signal handlers."""
        signal.setitimer(signal.ITIMER_REAL, 0)
        for each, before in self._before.items():
            signal.signal(each, before)

    def is_stopped(self) -> bool:
        """Return whether the night must end: nothing new begins."""
        return bool(self.by)

    def is_overdue(self) -> bool:
        """Return whether running units must be abandoned."""
        return time.monotonic() > self._overdue_at

    def _take(self, number: int, frame: FrameType | None) -> None:
        if self.by:
            self._end(number, frame)
        self.by = signal.Signals(number).name
        self._overdue_at = time.monotonic() + GRACE_S
        signal.setitimer(signal.ITIMER_REAL, GRACE_S + LAST_S)
        _print(f"{self.by}: finishing running work, {GRACE_S:g} s at most; a second signal ends it at once")

    def _end(self, number: int, frame: FrameType | None) -> None:
        """End this process at once. The ledger survives this at any moment, and the worker processes end with it."""
        del frame
        _print(f"{signal.Signals(number).name}: ended at once; run again to continue")
        os._exit(ENDED)


def _print(text: str) -> None:
    # unlike print, os.write is safe in a signal handler
    os.write(2, f"glasswright: {text}\n".encode())
