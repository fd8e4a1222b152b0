"""Runs one unit of work in a separate process: `python -m glasswright.run.workers.alone PARENT`, started by `rescue`.

The unit is read from standard input. Messages are written as steps begin and end, so that if the process dies, the
parent knows which step was running and what was done before.
"""

from __future__ import annotations

import faulthandler
import os
import pickle
import resource
import sys
from typing import TYPE_CHECKING, BinaryIO

from glasswright.processes import end_with_parent
from glasswright.run.workers.limits import LENGTH_BYTES
from glasswright.run.workers.work import perform

if TYPE_CHECKING:
    from glasswright.plugin.outcome import Outcome


class Reporter:
    """Sends messages to the parent process."""

    def __init__(self, stream: BinaryIO, step_s: float) -> None:
        """Write to a stream; a step that takes longer than `step_s` seconds ends the process."""
        self._stream = stream
        self._step_s = step_s

    def begin(self, name: str) -> None:
        """Send that a step begins, and start its time limit."""
        faulthandler.dump_traceback_later(self._step_s, exit=True)
        self.send("begin", name)

    def done(self, outcome: Outcome) -> None:
        """Send an outcome."""
        self.send("done", outcome)

    def send(self, kind: str, value: object) -> None:
        """Write one message."""
        message = pickle.dumps((kind, value))
        self._stream.write(len(message).to_bytes(LENGTH_BYTES, "little") + message)
        self._stream.flush()


def main() -> None:
    """Run the unit from standard input."""
    end_with_parent(int(sys.argv[1]))
    # output that a stage prints must not mix with the messages
    stream = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    faulthandler.enable()
    limits, payload = pickle.loads(sys.stdin.buffer.read())
    if limits.memory_bytes:
        resource.setrlimit(resource.RLIMIT_DATA, (limits.memory_bytes, limits.memory_bytes))
    reporter = Reporter(stream, limits.step_s)
    reporter.send("result", perform(pickle.loads(payload), reporter))
    faulthandler.cancel_dump_traceback_later()


if __name__ == "__main__":
    main()
