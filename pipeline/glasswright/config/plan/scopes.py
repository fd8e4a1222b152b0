"""The scope of each step (shot, setting, ticket or night), derived from its inputs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.plugin.stage import Scope

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from glasswright.config.plan.draft import DraftStep
    from glasswright.config.plan.sources import Source
    from glasswright.config.yaml.document import Document
    from glasswright.errors import Problem

FIXED = {"role": Scope.SHOT, "ticket": Scope.TICKET, "stand": Scope.NIGHT}
WIDER = {
    Scope.SHOT: "`setting`, `ticket` or `night`",
    Scope.SETTING: "`ticket` or `night`",
    Scope.TICKET: "`night`",
}


def resolve_scopes(document: Document, ordered: Sequence[DraftStep]) -> tuple[tuple[DraftStep, ...], list[Problem]]:
    """Fill in the scope of each step, in order (None where it cannot be derived), and return the problems."""
    done: dict[str, DraftStep] = {}
    problems: list[Problem] = []
    for draft in ordered:
        found = list(_check_keys(document, draft))
        draft.scope = _scope_of_step(draft, done)
        if draft.scope is not None:
            found += _check_nesting(document, draft, draft.scope, done)
            found += _check_one_role(document, draft, done)
        if found:
            draft.scope = None
        problems += found
        done[draft.name] = draft
    return tuple(ordered), problems


def _scope_of(source: Source, done: Mapping[str, DraftStep]) -> Scope | None:
    if source.kind != "step":
        return FIXED[source.kind]
    return done[source.name].scope if source.name in done else None


def _scope_of_step(draft: DraftStep, done: Mapping[str, DraftStep]) -> Scope | None:
    """Return `per` for a step that gathers, else the narrowest scope among its inputs."""
    if not draft.whole:
        return None
    if any(description.gathers for description, _ in draft.described_inputs()):
        return Scope[draft.per.upper()] if draft.per else None
    scopes = [_scope_of(source, done) for _, source in draft.described_inputs()]
    known = [scope for scope in scopes if scope is not None]
    return min(known) if known and len(known) == len(scopes) else None


def _check_keys(document: Document, draft: DraftStep) -> Iterator[Problem]:
    if draft.stage is None:
        return
    place = ("stages", draft.name)
    gathers = [description.name for description, _ in draft.described_inputs() if description.gathers]
    if gathers and draft.per is None and draft.sound:
        message = f"step `{draft.name}`: `per` is missing: input `{gathers[0]}` gathers; say setting, ticket or night"
        yield document.problem(place, message)
    if gathers or not draft.whole:
        return
    could = [description.name for description in draft.stage.inputs if description.gathers]
    why = f"{' and '.join(f'`{name}`' for name in could)} is not wired" if could else f"`{draft.stage.id}` does not"
    for key, value in (("per", draft.per), ("at_least", draft.at_least)):
        if value is not None:
            message = f"step `{draft.name}`: `{key}` is for steps that gather; {why}: remove it"
            yield document.problem((*place, key), message)


def _check_nesting(
    document: Document, draft: DraftStep, scope: Scope, done: Mapping[str, DraftStep]
) -> Iterator[Problem]:
    for description, source in draft.described_inputs():
        given = _scope_of(source, done)
        place = ("stages", draft.name, "inputs", description.name)
        if given is None:
            continue
        # an optional gather of what there is one of per item is empty for an item without such shots
        may_be_none = description.optional and given is scope is not Scope.NIGHT
        if description.gathers and given >= scope and not may_be_none:
            remedy = f"say per {WIDER[given]}" if given in WIDER else "a value of the night cannot be gathered"
            yield document.problem(
                place,
                f"input `{description.name}` gathers per {scope}, but there is one `{source}` per {given}; {remedy}",
            )
        if not description.gathers and given < scope:
            yield document.problem(
                place,
                f"input `{description.name}` takes one value, but there are several `{source}` per {scope} (one per "
                f"{given}); gather it first, or run this step per {given}",
            )


def _check_one_role(document: Document, draft: DraftStep, done: Mapping[str, DraftStep]) -> Iterator[Problem]:
    """Yield a problem if a step of shot scope takes inputs from several roles: one run has one shot."""
    if draft.scope is not Scope.SHOT:
        return
    roles: dict[str, Source] = {}
    for _, source in draft.described_inputs():
        role = source.name if source.kind == "role" else done[source.name].role if source.kind == "step" else None
        if role is not None:
            roles.setdefault(role, source)
    if len(roles) > 1:
        sources = " and ".join(f"`{source}` ({role})" for role, source in sorted(roles.items()))
        yield document.problem(
            ("stages", draft.name, "inputs"),
            f"step `{draft.name}` takes from shots of several roles: {sources}; gather one of them per setting",
        )
    draft.role = next(iter(roles), None)
