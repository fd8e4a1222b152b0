"""Progress of work that takes more than a few seconds, on the terminal."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["watch_progress"]

T = TypeVar("T")

SILENT_S: Final = 3.0
"""Shorter work reports nothing."""
BETWEEN_S: Final = (0.5, 15.0)
"""Time between two reports: on a terminal, and elsewhere."""


def watch_progress(items: Iterable[T], total: int, what: str) -> Iterator[T]:
    """Yield the items, and report on stderr how many are done and how long the rest will take.

    Parameters
    ----------
    items
        The items to process.
    total
        The number of items.
    what
        Name of the work, such as `writing tickets`.

    Yields
    ------
    The items.
    """
    start = last = time.monotonic()
    is_terminal = sys.stderr.isatty()
    first = start
    announced = False
    for done, item in enumerate(items):
        now = time.monotonic()
        first = now if done == 1 else first
        if now - start > SILENT_S and now - last > BETWEEN_S[not is_terminal]:
            _say(_describe(what, done, total, now - first), is_terminal=is_terminal)
            announced, last = True, now
        yield item
    if announced:
        end = "\n" if is_terminal else ""
        _say(f"{what}: {total} done in {time.monotonic() - start:.0f} s{end}", is_terminal=is_terminal)


def _describe(what: str, done: int, total: int, seconds: float) -> str:
    """Return the state; the time left is from the `seconds` since the first item, which may include a start."""
    left = f", about {seconds / (done - 1) * (total - done):.0f} s left" if done > 1 else ""
    return f"{what}: {done} of {total}{left}"


def _say(text: str, *, is_terminal: bool) -> None:
    sys.stderr.write(f"\r\x1b[K{text}" if is_terminal else f"{text}\n")
    sys.stderr.flush()
