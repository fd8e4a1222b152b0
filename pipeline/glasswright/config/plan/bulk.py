"""Bulk artefacts exist only inside one shot's task: which steps share a task, and which plans break that rule."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from glasswright.config.plan.draft import DraftStep
    from glasswright.config.yaml.document import Document
    from glasswright.errors import Problem

Groups = dict[str, str]
"""Step -> representative step of its group (union-find)."""


def find_chains(document: Document, ordered: Sequence[DraftStep]) -> tuple[tuple[frozenset[str], ...], list[Problem]]:
    """Return the chains of steps of shot scope, in order, and a problem for each place where bulk would leave its
    chain."""
    steps = {draft.name: draft for draft in ordered}
    problems = [problem for draft in ordered for problem in _refuse_leaks(document, draft, steps)]
    groups: Groups = {name: name for name in steps}
    for draft in ordered:
        for source in draft.inputs.values():
            if source.kind == "step" and source.name in steps and _is_bulk(steps[source.name]):
                _join(groups, source.name, draft.name)
    problems += _merge_knots(document, groups, steps)
    shots = [draft.name for draft in ordered if draft.scope is Scope.SHOT]
    members: dict[str, list[str]] = {}
    for name in shots:
        members.setdefault(_root(groups, name), []).append(name)
    return tuple(frozenset(names) for names in members.values()), problems


def _is_bulk(draft: DraftStep) -> bool:
    return draft.stage is not None and draft.stage.returns.bulk


def _refuse_leaks(document: Document, draft: DraftStep, steps: Mapping[str, DraftStep]) -> Iterator[Problem]:
    if _is_bulk(draft) and draft.scope is not None and draft.scope is not Scope.SHOT:
        yield document.problem(
            ("stages", draft.name),
            f"step `{draft.name}` would make bulk per {draft.scope}; bulk lives only inside one shot's task",
        )
    for description, source in draft.described_inputs():
        if description.gathers and source.kind == "step" and source.name in steps and _is_bulk(steps[source.name]):
            yield document.problem(
                ("stages", draft.name, "inputs", description.name),
                f"input `{description.name}` would gather bulk from `{source}`; reduce each shot first and gather that",
            )


def _merge_knots(document: Document, groups: Groups, steps: Mapping[str, DraftStep]) -> list[Problem]:
    """Join groups that depend on one another if all are of shot scope; with a wider one, no order of tasks exists."""
    problems: list[Problem] = []
    for knot in _find_knots(groups, steps):
        wider = [name for name in knot if steps[name].scope is not Scope.SHOT]
        if not wider:
            for name in knot[1:]:
                _join(groups, knot[0], name)
            continue
        chain = ", ".join(f"`{name}`" for name in knot if name not in wider)
        problems.append(
            document.problem(
                ("stages", wider[0]),
                f"step `{wider[0]}` (per {steps[wider[0]].scope}) lies between {chain}, which share bulk and so run "
                "as one task a shot; decode again in a step of its own for what comes after",
            )
        )
    return problems


def _find_knots(groups: Groups, steps: Mapping[str, DraftStep]) -> list[list[str]]:
    """Return the steps of each set of groups that depend on one another in a circle."""
    behind: dict[str, set[str]] = {_root(groups, name): set() for name in steps}
    for name, draft in steps.items():
        for source in draft.inputs.values():
            if source.kind == "step" and source.name in steps:
                behind[_root(groups, name)].add(_root(groups, source.name))
    reach = {root: _reachable(root, behind) for root in behind}
    knots: dict[frozenset[str], list[str]] = {}
    for name in steps:
        root = _root(groups, name)
        together = frozenset(other for other in reach[root] if root in reach[other]) | {root}
        if len(together) > 1:
            knots.setdefault(together, []).append(name)
    return list(knots.values())


def _reachable(start: str, behind: Mapping[str, set[str]]) -> set[str]:
    seen: set[str] = set()
    waiting = list(behind[start])
    while waiting:
        root = waiting.pop()
        if root not in seen:
            seen.add(root)
            waiting += behind[root]
    return seen


def _root(groups: Groups, name: str) -> str:
    while groups[name] != name:
        name = groups[name]
    return name


def _join(groups: Groups, first: str, second: str) -> None:
    groups[_root(groups, second)] = _root(groups, first)
