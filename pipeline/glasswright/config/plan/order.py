"""Topological order of steps, and a problem for each cycle."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from glasswright.config.plan.draft import DraftStep
    from glasswright.config.yaml.document import Document
    from glasswright.errors import Problem


def order_steps(document: Document, drafts: Sequence[DraftStep]) -> tuple[tuple[DraftStep, ...], list[Problem]]:
    """Return the steps in order, without those on or after a cycle, and one problem for each cycle."""
    waiting = {draft.name: _steps_before(draft) for draft in drafts}
    by_name = {draft.name: draft for draft in drafts}
    ordered: list[DraftStep] = []
    while True:
        ready = next((name for name, before in waiting.items() if not before & waiting.keys()), None)
        if ready is None:
            break
        del waiting[ready]
        ordered.append(by_name[ready])
    return tuple(ordered), _name_cycles(document, waiting)


def _steps_before(draft: DraftStep) -> set[str]:
    return {source.name for source in draft.inputs.values() if source.kind == "step"}


def _name_cycles(document: Document, waiting: Mapping[str, set[str]]) -> list[Problem]:
    """Follow the inputs of each remaining step backwards until a step repeats: that is a cycle."""
    problems: list[Problem] = []
    named: set[str] = set()
    for start in waiting:
        path: list[str] = [start]
        while path[-1] not in path[:-1]:
            path.append(min(waiting[path[-1]] & waiting.keys()))
        cycle = path[path.index(path[-1]) :]
        if named.isdisjoint(cycle):
            shown = " -> ".join(f"`{name}`" for name in reversed(cycle))
            problems.append(document.problem(("stages", cycle[0]), f"steps take from one another in a cycle: {shown}"))
        named.update(cycle)
    return problems
