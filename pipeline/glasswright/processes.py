"""Processes that end with their parent process."""

from __future__ import annotations

import ctypes
import os
import signal
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Final

__all__ = ["open_pool"]

PR_SET_PDEATHSIG: Final = 1
"""Option of Linux's `prctl(2)`: the signal that a process gets when the thread that started it ends."""


def end_with_parent(parent: int) -> None:
    """Let the kernel kill this process when its parent ends; no effect on systems other than Linux.

    Parameters
    ----------
    parent
        The parent's process number; if it has already ended, this process ends at once.
    """
    prctl = getattr(ctypes.CDLL(None), "prctl", None)
    if prctl is not None:
        prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        os._exit(1)


def open_pool(workers: int) -> ProcessPoolExecutor:
    """Return a pool of processes that end with this one, instead of waiting for work for ever.

    They are spawned, not forked: a fork of a process with threads can deadlock.
    """
    return ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=end_with_parent, initargs=(os.getpid(),)
    )
