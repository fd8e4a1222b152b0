"""In which order the steps of a ticket are done: what can be one task, and what must wait for what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.plugin.stage import Scope
from glasswright.run.graph.lineage import step_sources

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from glasswright.config import Plan, Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Phase:
    """Steps that can be done once all phases before are."""

    chains: tuple[frozenset[str], ...] = ()
    """Steps that open raw files: each chain is a task for each shot."""
    light: frozenset[str] = frozenset()
    """Steps that work on light artefacts: together one task for the ticket."""


def phases_of(plan: Plan, steps: Sequence[Step], done: Collection[str]) -> tuple[Phase, ...]:
    """Sort steps into phases, as few as may be.

    Parameters
    ----------
    plan
        The plan they are of.
    steps
        The steps to sort, in the plan's order.
    done
        Steps of earlier rounds.
    """
    names = {step.name for step in steps}
    chains = [chain for chain in plan.chains if chain <= names and _opens_files(chain, steps)]
    in_chains = frozenset[str]().union(*chains)
    light_steps = [step for step in steps if step.name not in in_chains]
    finished = set(done)
    phases: list[Phase] = []
    while not names <= finished:
        light: set[str] = set()
        for step in light_steps:
            if step.name not in finished and set(step_sources(step)) <= finished | light:
                light.add(step.name)
        finished |= light
        ready = [chain for chain in chains if not chain & finished and _outside(chain, steps) <= finished]
        finished = finished.union(*ready)
        if not light and not ready:
            waiting = ", ".join(sorted(names - finished))
            raise AssertionError(f"steps that wait for one another passed the plan's checks: {waiting}")
        phases += [Phase(light=frozenset(light))] if light else []
        phases += [Phase(chains=tuple(ready))] if ready else []
    return tuple(phases)


def _opens_files(chain: frozenset[str], steps: Sequence[Step]) -> bool:
    return any(
        step.scope is Scope.SHOT
        and (step.stage.returns.bulk or any(each.kind == "role" for each in step.inputs.values()))
        for step in steps
        if step.name in chain
    )


def _outside(chain: frozenset[str], steps: Sequence[Step]) -> set[str]:
    """Name what a chain takes from steps that are not of it."""
    return {source for step in steps if step.name in chain for source in step_sources(step)} - chain
