"""Runs one stage on its inputs. The one place that catches every exception: a stage never stops a night."""

from __future__ import annotations

import re
import time
import traceback
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from glasswright.errors import NotApplicable, Unmeasurable
from glasswright.plugin.outcome import Outcome, Status
from glasswright.plugin.stage import Scope
from glasswright.run.graph.gathering import Refusal, take_inputs

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from glasswright.plugin.artefact import Artefact
    from glasswright.run.graph.gathering import Taken
    from glasswright.run.graph.instance import Instance, Key

MEMORY_ADDRESS: Final = re.compile(r"0x[0-9a-fA-F]{4,}")
"""Differs from run to run and says nothing."""
OVERLONG: Final = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCode:
    """What running a step takes besides its inputs: plain data and an importable function."""

    stage: str
    function: Callable[..., Artefact]
    settings: Mapping[str, Any]
    returns: type[Artefact]
    gathered: Mapping[str, type[Artefact]]
    """Names of the inputs that gather, with the class that finds odd members."""


def run_step(instance: Instance, address: str, code: StepCode, outcomes: Mapping[Key, Outcome]) -> Outcome:
    """Run a step for one thing and say how it ended; never raises but for an interrupt.

    Parameters
    ----------
    instance
        The step, the thing and its inputs.
    address
        Of the outcome.
    code
        The stage and its settings.
    outcomes
        Those of every step that the instance takes values of, with their artefacts, bulk included.
    """
    start = time.perf_counter()
    blank = Outcome(
        step=instance.key.step, stage=code.stage, item=instance.key.item, address=address, status=Status.DONE
    )
    try:
        outcome = _measure(instance, code, outcomes, blank)
    except Unmeasurable as finding:
        reason = str(finding).strip() or "the stage gave no reason"
        status = Status.NOT_APPLICABLE if isinstance(finding, NotApplicable) else Status.UNMEASURABLE
        outcome = replace(blank, status=status, reason=_shorten(reason))
    except (Exception, SystemExit) as error:  # whatever a stage does, the rest of the night goes on
        outcome = replace(blank, status=Status.CRASHED, reason=_describe(error), traceback=_trace(error))
    return replace(outcome, seconds=time.perf_counter() - start)


def _measure(instance: Instance, code: StepCode, outcomes: Mapping[Key, Outcome], blank: Outcome) -> Outcome:
    taken = take_inputs(instance, code.gathered, outcomes)
    if isinstance(taken, Refusal):
        return replace(blank, status=taken.status, reason=_shorten(taken.reason))
    artefact = code.function(**taken.values, **code.settings)
    if not isinstance(artefact, code.returns):
        returned = type(artefact).__name__
        reason = f"{code.stage} returned {returned}, not {code.returns.__name__} as its signature says"
        return replace(blank, status=Status.CRASHED, reason=reason)
    return _stamp(artefact, taken, blank)


def _stamp(artefact: Artefact, taken: Taken, blank: Outcome) -> Outcome:
    """Put the setting on a value, the caveats of all its inputs, and what the gathering left out."""
    caveats = tuple(sorted({*taken.caveats, *artefact.caveats}))
    notes = (*artefact.notes, *taken.notes)
    stamped = replace(artefact, setting=blank.item.setting, caveats=caveats, notes=notes)
    content = artefact.name_content() if blank.item.scope is Scope.SHOT else None
    return replace(blank, artefact=stamped, caveats=caveats, notes=notes, content_digest=content)


def without_bulk(outcome: Outcome) -> Outcome:
    """Return an outcome as it is kept and handed between processes: without an artefact that is bulk."""
    bulky = outcome.artefact is not None and outcome.artefact.bulk
    return replace(outcome, artefact=None) if bulky else outcome


def _describe(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return _shorten(MEMORY_ADDRESS.sub("0x...", f"{type(error).__name__}: {text}" if text else type(error).__name__))


def _trace(error: BaseException) -> str:
    """Return the traceback from the stage on; the engine's own frames say nothing."""
    return MEMORY_ADDRESS.sub("0x...", "".join(traceback.format_exception(error)))


def _shorten(text: str) -> str:
    return text if len(text) <= OVERLONG else text[:OVERLONG] + " ..."
