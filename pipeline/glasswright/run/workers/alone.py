"""Does one unit of work in a process of its own: `python -m glasswright.run.workers.alone PARENT`, started by `rescue`.

The unit comes in on standard input. What happens goes out as it happens, so that a death leaves behind which step
was running and what was done before it.
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
    """Tells the process that waits what happens in this one."""

    def __init__(self, stream: BinaryIO, step_s: float) -> None:
        """Tell it through a stream; a step that takes longer than `step_s` seconds ends the process."""
        self._stream = stream
        self._step_s = step_s

    def begin(self, name: str) -> None:
        """Tell which step begins, and give it its time."""
        faulthandler.dump_traceback_later(self._step_s, exit=True)
        self.send("begin", name)

    def done(self, outcome: Outcome) -> None:
        """Hand over an outcome."""
        self.send("done", outcome)

    def send(self, kind: str, value: object) -> None:
        """Write one message."""
        message = pickle.dumps((kind, value))
        self._stream.write(len(message).to_bytes(LENGTH_BYTES, "little") + message)
        self._stream.flush()


def main() -> None:
    """Do the unit that comes in on standard input."""
    end_with_parent(int(sys.argv[1]))
    # a stage that prints must not write between the messages
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
