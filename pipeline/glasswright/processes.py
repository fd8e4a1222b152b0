"""Processes that end with the process that started them."""

from __future__ import annotations

import ctypes
import os
import signal
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from typing import Final

__all__ = ["open_pool"]

PR_SET_PDEATHSIG: Final = 1
"""Number of the option in Linux's `prctl(2)`: the signal that a process gets when the thread that started it ends."""


def end_with_parent(parent: int) -> None:
    """Have the kernel kill this process when its parent ends. Without effect on systems other than Linux.

    Parameters
    ----------
    parent
        The parent's process number; if that has ended already, so does this process.
    """
    prctl = getattr(ctypes.CDLL(None), "prctl", None)
    if prctl is not None:
        prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != parent:
        os._exit(1)


def open_pool(workers: int) -> ProcessPoolExecutor:
    """Return a pool of fresh processes that end with this one; without that they would wait for work for ever.

    They are started, not forked: a fork of a process with threads can lock up.
    """
    return ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=end_with_parent, initargs=(os.getpid(),)
    )
