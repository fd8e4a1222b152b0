"""What a process that measures may take, and how one that is alone tells what it does."""

from __future__ import annotations

import os
import pickle
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

ONE_THREAD: Final = MappingProxyType(
    dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")
)
"""Environment of every process that measures: many threads on few cores made the same work up to 15 times slower."""
LENGTH_BYTES: Final = 8
ROOM_FOR_WORKERS: Final = 0.8
"""Part of the machine's memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a unit of work may take."""

    step_s: float = 600.0
    """Seconds that one step may run."""
    memory_bytes: int = 0
    """Memory of one process; 0 for no limit."""


def memory_of_worker(workers: int) -> int:
    """Return one worker's part of the machine's memory, bytes, with room left for everything else."""
    machine = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return int(machine * ROOM_FOR_WORKERS / workers)


def read_messages(data: bytes) -> list[tuple[str, Any]]:
    """Read the messages that arrived whole; the last may have been cut off by a death."""
    messages = []
    start = 0
    while start + LENGTH_BYTES <= len(data):
        end = start + LENGTH_BYTES + int.from_bytes(data[start : start + LENGTH_BYTES], "little")
        if end > len(data):
            break
        messages.append(pickle.loads(data[start + LENGTH_BYTES : end]))
        start = end
    return messages
