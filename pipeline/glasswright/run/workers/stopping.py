"""How a night is stopped: the first signal gives what is under way a few seconds to end, the second ends it at once.

Processes that measure are shielded from signals to the whole group (a terminal's Ctrl-C, a service manager's SIGTERM);
only this process decides, and they end with it.
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
"""A shot takes a second or less. Container managers kill 10 s after SIGTERM, systemd 90 s (their defaults)."""
LAST_S: Final = 8.0
"""Beyond the grace, for closing what was given up; then the process ends however it stands."""
ENDED: Final = 1


class Stop:
    """Listens for SIGTERM and SIGINT while it is open."""

    def __init__(self) -> None:
        """Not stopped yet."""
        self.by = ""
        self._overdue_at = float("inf")
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> Self:
        """Listen."""
        for each in SIGNALS:
            self._before[each] = signal.signal(each, self._take)
        self._before[signal.SIGALRM] = signal.signal(signal.SIGALRM, self._end)
        return self

    def __exit__(self, *error: object) -> None:
        """Listen no more."""
        signal.setitimer(signal.ITIMER_REAL, 0)
        for each, before in self._before.items():
            signal.signal(each, before)

    def is_stopped(self) -> bool:
        """Tell whether the night is to end: nothing new is begun."""
        return bool(self.by)

    def is_overdue(self) -> bool:
        """Tell whether what is under way is to be given up."""
        return time.monotonic() > self._overdue_at

    def _take(self, number: int, frame: FrameType | None) -> None:
        if self.by:
            self._end(number, frame)
        self.by = signal.Signals(number).name
        self._overdue_at = time.monotonic() + GRACE_S
        signal.setitimer(signal.ITIMER_REAL, GRACE_S + LAST_S)
        _print(f"{self.by}: ending what is under way, in {GRACE_S:g} s at most; a second signal ends it at once")

    def _end(self, number: int, frame: FrameType | None) -> None:
        """End this process. The ledger stands a death at any moment, and the processes that measure end with it."""
        del frame
        _print(f"{signal.Signals(number).name}: ended at once; run again to go on")
        os._exit(ENDED)


def _print(text: str) -> None:
    # a print could be interrupted by the next signal halfway, and fail
    os.write(2, f"glasswright: {text}\n".encode())
