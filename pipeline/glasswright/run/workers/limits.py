"""Limits of worker processes, and the message format of a process that runs one unit alone."""

from __future__ import annotations

import os
import pickle
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

ONE_THREAD: Final = MappingProxyType(
    dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")
)
"""Environment of every worker process: many threads on few cores were up to 15 times slower."""
LENGTH_BYTES: Final = 8
ROOM_FOR_WORKERS: Final = 0.8
"""Fraction of the machine's memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of a unit of work."""

    step_s: float = 600.0
    """Time limit of one step."""
    memory_bytes: int = 0
    """Memory limit of one process; 0 for none."""
    workers: int = 0
    """Number of workers on a cluster's machine, which share its memory; 0 if `memory_bytes` holds."""


def memory_of_worker(workers: int) -> int:
    """Return the memory limit of one worker in bytes."""
    machine = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    return int(machine * ROOM_FOR_WORKERS / workers)


def read_messages(data: bytes) -> list[tuple[str, Any]]:
    """Return the complete messages; the last may have been cut off when the process died."""
    messages = []
    start = 0
    while start + LENGTH_BYTES <= len(data):
        end = start + LENGTH_BYTES + int.from_bytes(data[start : start + LENGTH_BYTES], "little")
        if end > len(data):
            break
        messages.append(pickle.loads(data[start + LENGTH_BYTES : end]))
        start = end
    return messages
