"""The order in which a ticket's steps run: which share a task, and which wait for which."""

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
    """Steps that can run once all earlier phases are done."""

    chains: tuple[frozenset[str], ...] = ()
    """Steps that open raw files: one task per chain and shot."""
    light: frozenset[str] = frozenset()
    """Steps on light artefacts: one task for the ticket."""


def phases_of(plan: Plan, steps: Sequence[Step], done: Collection[str]) -> tuple[Phase, ...]:
    """Sort steps into as few phases as possible.

    Parameters
    ----------
    plan
        Their plan.
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
    """Return the steps outside a chain from which it takes values."""
    return {source for step in steps if step.name in chain for source in step_sources(step)} - chain
