"""How a night is stopped: once it ends what is under way, twice it ends at once."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from types import FrameType

SIGNALS = (signal.SIGTERM, signal.SIGINT)


class Stop:
    """Listens for SIGTERM and SIGINT while it is open."""

    def __init__(self) -> None:
        """Not stopped yet."""
        self.by = ""
        self._before: dict[signal.Signals, Any] = {}

    def __enter__(self) -> Self:
        """Listen."""
        for each in SIGNALS:
            self._before[each] = signal.signal(each, self._take)
        return self

    def __exit__(self, *error: object) -> None:
        """Listen no more."""
        for each, before in self._before.items():
            signal.signal(each, before)

    def is_stopped(self) -> bool:
        """Tell whether the night is to end."""
        return bool(self.by)

    def _take(self, number: int, frame: FrameType | None) -> None:
        del frame
        if self.by:
            # the ledger stands a death at any moment, and the workers end with this process
            os._exit(1)
        self.by = signal.Signals(number).name
