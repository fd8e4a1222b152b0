"""The roles that a step's value is made from, and the rounds of a night."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.config import Plan, Step


def roles_of_plan(plan: Plan) -> frozenset[str]:
    """Return the roles whose shots a plan takes."""
    return frozenset(source.name for step in plan.steps for source in step.inputs.values() if source.kind == "role")


def own_roles(plan: Plan) -> dict[str, frozenset[str]]:
    """Return for each step the roles that its value is made from.

    Inputs from a wider scope (the flat that corrects a chart shot) only correct the value and do not count.
    """
    steps = {step.name: step for step in plan.steps}
    roles: dict[str, frozenset[str]] = {}
    for step in plan.steps:
        found: set[str] = set()
        for source in step.inputs.values():
            if source.kind == "role":
                found.add(source.name)
            elif source.kind == "step" and steps[source.name].scope <= step.scope:
                found |= roles[source.name]
        roles[step.name] = frozenset(found)
    return roles


def roles_by_setting(plan: Plan) -> frozenset[str]:
    """Return the roles whose shots need a setting: they are gathered by it, or corrected by something that was."""
    roles, scopes = own_roles(plan), {step.name: step.scope for step in plan.steps}
    return frozenset[str]().union(
        *(
            roles[step.name]
            for step in plan.steps
            if Scope.SETTING in (step.scope, *(scopes[source] for source in step_sources(step)))
        )
    )


def rounds_of(plan: Plan) -> dict[str, int]:
    """Return for each step the round of the night in which it can run.

    A round runs its night-wide steps first, then those of every ticket. A night-wide step that gathers from tickets
    needs all of them measured, so it begins a new round, as do the tickets' steps that take its value. A plan without
    night-wide steps has one round, 0.
    """
    rounds: dict[str, int] = {}
    steps = {step.name: step for step in plan.steps}
    for step in plan.steps:
        sources = step.inputs.values()
        after = [_round_after(step, source.name, steps, rounds) for source in sources if source.kind == "step"]
        gathers_shots = step.scope is Scope.NIGHT and any(source.kind in ("role", "ticket") for source in sources)
        rounds[step.name] = max([*after, int(gathers_shots)])
    return rounds


def _round_after(step: Step, source: str, steps: Mapping[str, Step], rounds: Mapping[str, int]) -> int:
    closes_round = step.scope is Scope.NIGHT and steps[source].scope is not Scope.NIGHT
    return rounds[source] + int(closes_round)


def step_sources(step: Step) -> tuple[str, ...]:
    """Return the steps whose values a step takes."""
    return tuple(source.name for source in step.inputs.values() if source.kind == "step")
