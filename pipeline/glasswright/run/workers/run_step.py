"""Runs one stage on its inputs. The only place that catches every exception, so that no stage stops a night."""

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
"""Memory addresses, which differ from run to run, are removed from messages."""
OVERLONG: Final = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class StepCode:
    """What is needed to run a step besides its inputs: plain data and an importable function."""

    stage: str
    function: Callable[..., Artefact]
    settings: Mapping[str, Any]
    returns: type[Artefact]
    gathered: Mapping[str, type[Artefact]]
    """Names of the gathering inputs, with the class that finds outliers among members."""


def run_step(instance: Instance, address: str, code: StepCode, outcomes: Mapping[Key, Outcome]) -> Outcome:
    """Run a step for one item and return its outcome; raises nothing except an interrupt.

    Parameters
    ----------
    instance
        The step, the item and its inputs.
    address
        Address of the outcome.
    code
        The stage and its settings.
    outcomes
        Outcomes of all inputs, with their artefacts (bulk included).
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
    except (Exception, SystemExit) as error:  # whatever a stage does, the night continues
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
    """Return the outcome with setting, caveats of all inputs, and notes on left-out members added to the artefact."""
    caveats = tuple(sorted({*taken.caveats, *artefact.caveats}))
    notes = (*artefact.notes, *taken.notes)
    stamped = replace(artefact, setting=blank.item.setting, caveats=caveats, notes=notes)
    content = artefact.name_content() if blank.item.scope is Scope.SHOT else None
    return replace(blank, artefact=stamped, caveats=caveats, notes=notes, content_digest=content)


def without_bulk(outcome: Outcome) -> Outcome:
    """Return an outcome for keeping and for sending to other processes: without a bulk artefact."""
    bulky = outcome.artefact is not None and outcome.artefact.bulk
    return replace(outcome, artefact=None) if bulky else outcome


def _describe(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return _shorten(MEMORY_ADDRESS.sub("0x...", f"{type(error).__name__}: {text}" if text else type(error).__name__))


def _trace(error: BaseException) -> str:
    """Return the traceback without memory addresses."""
    return MEMORY_ADDRESS.sub("0x...", "".join(traceback.format_exception(error)))


def _shorten(text: str) -> str:
    return text if len(text) <= OVERLONG else text[:OVERLONG] + " ..."
