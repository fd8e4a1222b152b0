"""Repeats a unit of work alone after its process died: either it succeeds, or it is identified as the cause."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from glasswright.run.graph.instance import keys_of
from glasswright.run.workers.limits import ONE_THREAD, read_messages
from glasswright.run.workers.run_step import MEMORY_ADDRESS
from glasswright.run.workers.work import IndexFailure, MeasureUnit, crashed, reduce_unit

if TYPE_CHECKING:
    from glasswright.plugin.outcome import Outcome
    from glasswright.run.graph.instance import Key
    from glasswright.run.workers.limits import Limits
    from glasswright.run.workers.work import Result, Unit

STARTING_S: Final = 60.0
"""Time allowed for loading Python and the plugins on a busy machine."""
TRACE_BYTES: Final = 8000


@dataclass(slots=True, kw_only=True)
class Trial:
    """The messages of one process, and how it ended."""

    end: str
    """How it ended; empty if it succeeded."""
    trace: str
    messages: list[tuple[str, Any]] = field(default_factory=list)

    def running(self) -> str:
        """Return the address of the step that was running when it died."""
        return next((value for kind, value in reversed(self.messages) if kind == "begin"), "")

    def outcomes(self) -> list[Outcome]:
        """Return the outcomes from before it died."""
        return [value for kind, value in self.messages if kind == "done"]


def do_alone(unit: Unit, limits: Limits) -> Result:
    """Run a unit in separate processes until each of its steps has an outcome.

    A step that kills its process or exceeds its time limit is CRASHED, with the reason; the other steps of the unit are
    measured in a new process.
    """
    if not isinstance(unit, MeasureUnit):
        trial = _try(unit, limits)
        if trial.end:
            last_line = trial.trace.strip().rpartition("\n")[2]
            return IndexFailure(reason=f"its files could not be listed: {trial.end}. {last_line}".strip(" ."))
        result: Result = trial.messages[-1][1]
        return result
    outcomes: list[Outcome] = []
    left: MeasureUnit | None = unit
    while left is not None:
        trial = _try(left, limits)
        outcomes += trial.outcomes()
        if trial.end:
            outcomes += _blame(left, trial)
        left = reduce_unit(left, outcomes)
    return tuple(outcomes)


def _blame(unit: MeasureUnit, trial: Trial) -> list[Outcome]:
    """Return CRASHED for the step that was running; if it only repeated bulk, for the steps that needed the bulk."""
    culprit = next((key for key, address in unit.addresses.items() if address == trial.running()), None)
    done = {outcome.address for outcome in trial.outcomes()}
    left = [each for each in unit.instances if unit.addresses[each.key] not in done and each.key not in unit.again]
    blamed: list[Key] = [each.key for each in left if each.key == culprit]
    if culprit in unit.again:
        blamed = [each.key for each in left if culprit in keys_of(each)]
    # if the process died before its first step, blame all steps, or it would be repeated for ever
    blamed = blamed or [each.key for each in left]
    return [crashed(key, unit, trial.end, trial.trace) for key in blamed]


def _try(unit: Unit, limits: Limits) -> Trial:
    """Run a unit in a new process and collect its messages; the process ends itself if one step takes too long."""
    steps = len(unit.instances) if isinstance(unit, MeasureUnit) else 1
    payload = pickle.dumps((limits, pickle.dumps(unit)))
    end = ""
    with tempfile.TemporaryFile() as output, tempfile.TemporaryFile() as errors:
        process = subprocess.Popen(
            [sys.executable, "-m", "glasswright.run.workers.alone", str(os.getpid())],
            stdin=subprocess.PIPE,
            stdout=output,
            stderr=errors,
            env={**os.environ, **ONE_THREAD},
            start_new_session=True,  # signals to the group must not reach it
        )
        try:
            process.communicate(payload, timeout=STARTING_S + limits.step_s * steps)
            code = process.returncode
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            code, end = 0, _too_long(limits)
        output.seek(0)
        errors.seek(0)
        messages = read_messages(output.read())
        trace = MEMORY_ADDRESS.sub("0x...", errors.read()[-TRACE_BYTES:].decode(errors="replace"))
    end = end or (_too_long(limits) if code == 1 and trace.startswith("Timeout (") else _describe_end(code))
    return Trial(end=end, trace=trace if end else "", messages=messages)


def _too_long(limits: Limits) -> str:
    return f"stopped because it was not done after {limits.step_s:g} s"


def _describe_end(code: int) -> str:
    """Describe how a process ended, from its return code; empty if it succeeded."""
    if code < 0:
        try:
            name = f" ({signal.Signals(-code).name})"
        except ValueError:
            name = ""
        return f"killed by signal {-code}{name}"
    return f"its process ended with code {code}" if code else ""
