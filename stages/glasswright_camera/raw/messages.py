"""Catches what LibRaw writes to the C library's standard error."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

STANDARD_ERROR: Final = 2
DAMAGE: Final = re.compile(r"unexpected end of file|data corrupted at|corrupt|truncat", re.IGNORECASE)
"""LibRaw's own words for data that ended early or made no sense."""


@contextmanager
def collect_messages(messages: list[str], about: str) -> Iterator[None]:
    """Collect the lines about damage that reach file descriptor 2 meanwhile; pass all others on.

    Parameters
    ----------
    messages
        Filled when the block ends.
    about
        The file being read; a line that names it is about it, whatever it says.

    Notes
    -----
    The descriptor belongs to the whole process: two threads must not do this at once. Tasks run one a process.
    """
    sys.stderr.flush()
    kept = os.dup(STANDARD_ERROR)
    with tempfile.TemporaryFile() as caught:
        os.dup2(caught.fileno(), STANDARD_ERROR)
        try:
            yield
        finally:
            sys.stderr.flush()
            os.dup2(kept, STANDARD_ERROR)
            os.close(kept)
            caught.seek(0)
            messages += sort_lines(caught.read(), about)


def sort_lines(text: bytes, about: str) -> list[str]:
    """Return the lines about the file; write the others to standard error, where they were meant to go."""
    found = []
    for line in text.decode(errors="replace").splitlines():
        if about in line or DAMAGE.search(line):
            found.append(line.replace(about, "").strip(" :\t"))
        elif line:
            os.write(STANDARD_ERROR, f"{line}\n".encode())
    return found
