"""Expands a plan and a ticket's shots into instances: every step for every item that it must run for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from glasswright.intake.shot_setting import Nominal
from glasswright.ledger.encoding import digest
from glasswright.plugin.outcome import Item
from glasswright.plugin.stage import Scope
from glasswright.run.graph.grouping import enclosing_setting, is_of_any_setting, settings_of, shots_of
from glasswright.run.graph.instance import Given, Instance, Key, Many, Nothing, One
from glasswright.run.graph.lineage import own_roles

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.config import Plan, Source, Step
    from glasswright.intake.index import IndexedShot, IndexedTicket
    from glasswright.plugin.artefact import Artefact, Setting
    from glasswright.plugin.stage import InputDescription
    from glasswright.run.graph.instance import Input

NIGHT: Item = Item(scope=Scope.NIGHT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blueprint:
    """Data for the expansion of every ticket, computed once per night."""

    plan: Plan
    steps: Mapping[str, Step]
    stand: Mapping[str, Given]
    roles: Mapping[str, frozenset[str]]
    nominal: Nominal


@dataclass(slots=True, kw_only=True)
class _Draft:
    """A ticket being expanded."""

    blueprint: Blueprint
    indexed: IndexedTicket
    ticket: Given
    shots: Mapping[str, Given]
    by_step: dict[str, dict[Key, IndexedShot | None]] = field(default_factory=dict)
    """Step -> its instances so far, each with its shot if it has one."""


def draw_blueprint(plan: Plan, stand: Mapping[str, Artefact]) -> Blueprint:
    """Return the data for the expansion of every ticket."""
    return Blueprint(
        plan=plan,
        steps={step.name: step for step in plan.steps},
        stand={
            name: Given(artefact=section, digest=digest(section), name=f"stand.{name}")
            for name, section in stand.items()
        },
        roles=own_roles(plan),
        nominal=Nominal.of_plan(plan),
    )


def give_shot(indexed: IndexedShot) -> Given:
    """Return a shot as an input."""
    shot = indexed.shot
    return Given(artefact=shot, digest=digest(shot), name=shot.name, refusal=indexed.refusal, stamp=indexed.stamp)


def give_ticket(indexed: IndexedTicket) -> Given:
    """Return a ticket as an input."""
    return Given(artefact=indexed.ticket, digest=digest(indexed.ticket), name=f"ticket {indexed.ticket.number}")


def expand_ticket(blueprint: Blueprint, indexed: IndexedTicket) -> tuple[Instance, ...]:
    """Return every instance of a ticket's steps, in topological order.

    A planned setting with no shots of a role also has its instance, which names what it lacks.
    """
    shots = {each.shot.name: give_shot(each) for each in indexed.shots}
    draft = _Draft(blueprint=blueprint, indexed=indexed, ticket=give_ticket(indexed), shots=shots)
    instances: list[Instance] = []
    for step in blueprint.plan.steps:
        if step.scope is Scope.NIGHT:
            continue
        items = _list_items(draft, step)
        draft.by_step[step.name] = {Key(step=step.name, item=item): shot for item, shot in items}
        instances += [_instance(draft, step, item, shot) for item, shot in items]
    return tuple(instances)


def _list_items(draft: _Draft, step: Step) -> list[tuple[Item, IndexedShot | None]]:
    """Return the items that a step runs for, each with its shot if it has one."""
    number = draft.indexed.ticket.number
    roles = draft.blueprint.roles[step.name]
    if step.scope is Scope.SHOT:
        return [(_shot_item(each), each) for each in shots_of(draft.indexed, roles)]
    if step.scope is Scope.SETTING:
        settings = settings_of(draft.indexed, roles, draft.blueprint.nominal)
        return [(Item(scope=Scope.SETTING, ticket=number, setting=setting), None) for setting in settings]
    return [(Item(scope=Scope.TICKET, ticket=number), None)]


def _shot_item(indexed: IndexedShot) -> Item:
    shot = indexed.shot
    return Item(scope=Scope.SHOT, ticket=shot.ticket, setting=shot.setting, shot=shot.name)


def _instance(draft: _Draft, step: Step, item: Item, shot: IndexedShot | None) -> Instance:
    inputs: dict[str, Input] = {}
    lacks: list[str] = []
    for description in step.stage.inputs:
        if description.name not in step.inputs:
            inputs[description.name] = Nothing()
            continue
        found = _find_input(draft, step, description, item, shot)
        if isinstance(found, str):
            lacks.append(found)
        else:
            inputs[description.name] = found
    if not lacks:
        lacks = _all_nothing(draft, step, item, inputs)
    return Instance(key=Key(step=step.name, item=item), inputs=inputs, lacks="; ".join(dict.fromkeys(lacks)))


def _all_nothing(draft: _Draft, step: Step, item: Item, inputs: Mapping[str, Input]) -> list[str]:
    """Return what is missing if all shots of a step are optional and there is none: it needs at least one."""
    shot_inputs = [
        inputs[name]
        for name, source in step.inputs.items()
        if source.kind == "role" or (source.kind == "step" and draft.blueprint.steps[source.name].scope <= step.scope)
    ]
    if shot_inputs and all(isinstance(each, Nothing) for each in shot_inputs):
        return [_no_shot(draft.blueprint.roles[step.name], item)]
    return []


def _find_input(
    draft: _Draft, step: Step, description: InputDescription, item: Item, shot: IndexedShot | None
) -> Input | str:
    """Return one input of an instance, or a message with what it lacks."""
    source = step.inputs[description.name]
    if source.kind == "stand":
        return draft.blueprint.stand.get(source.name, Nothing())
    if source.kind == "ticket":
        return draft.ticket
    roles = _roles_of_source(draft.blueprint, source)
    absent = description.optional and roles and not _night_wide(draft.blueprint, source)
    if absent and not shots_of(draft.indexed, roles):
        return Nothing()
    if description.gathers:
        return _gather(draft, step, description, item, roles)
    if source.kind == "role":
        fits = shot is not None and shot.shot.role == source.name
        return draft.shots[shot.shot.name] if shot is not None and fits else _no_shot(roles, item)
    found = _find_one(draft, source, item, shot, roles)
    return replace(found, may_lack=may_lack(step, description)) if isinstance(found, One) else found


def may_lack(step: Step, description: InputDescription) -> bool:
    """Return whether a step can run without an input: the plan requires no member, and the stage accepts None."""
    return step.at_least == 0 and description.optional


def _gather(draft: _Draft, step: Step, description: InputDescription, item: Item, roles: frozenset[str]) -> Input | str:
    """Return the members of the instance's group, or what is missing; an optional series without any shot is left
    out."""
    source = step.inputs[description.name]
    members: list[Given | One]
    if source.kind == "role":
        group = [each for each in shots_of(draft.indexed, roles) if _in_group(each.shot.setting, each, item)]
        members = [draft.shots[each.shot.name] for each in group]
    else:
        found = draft.by_step.get(source.name)
        if found is None:
            return One(key=Key(step=source.name, item=NIGHT), may_lack=may_lack(step, description))
        members = [One(key=key) for key, shot in found.items() if _in_group(key.item.setting, shot, item)]
        if description.optional and not any(
            _in_group(each.shot.setting, each, item) for each in shots_of(draft.indexed, roles)
        ):
            # a planned setting has its instance without any shot, too
            members = []
    if members:
        return Many(members=tuple(members), at_least=step.at_least, may_lack=may_lack(step, description))
    return Nothing() if description.optional else _no_shot(roles, item)


def _in_group(setting: Setting | None, shot: IndexedShot | None, item: Item) -> bool:
    if item.scope is not Scope.SETTING:
        return True
    return setting == item.setting or (shot is not None and is_of_any_setting(shot))


def _find_one(
    draft: _Draft, source: Source, item: Item, shot: IndexedShot | None, roles: frozenset[str]
) -> Input | str:
    """Return the value for the same item, or for the wider item that contains it."""
    scope = draft.blueprint.steps[source.name].scope
    if scope is Scope.NIGHT:
        return One(key=Key(step=source.name, item=NIGHT))
    found = draft.by_step[source.name]
    if scope is Scope.TICKET:
        return One(key=next(iter(found)))
    if scope is Scope.SETTING:
        available = {key.item.setting: key for key in found if key.item.setting is not None}
        setting = enclosing_setting(item.setting, available)
        if setting is not None:
            return One(key=available[setting])
        if item.setting is None:
            return f"{item.shot or item} has no setting whose `{source.name}` it could take"
        return _no_shot(roles, item)
    own = Key(step=source.name, item=item)
    if own in found:
        return One(key=own)
    role = shot.shot.role if shot is not None else item
    return f"`{source.name}` is made of {_join_roles(roles)} shots, and this is of {role}"


def _night_wide(blueprint: Blueprint, source: Source) -> bool:
    return source.kind == "step" and blueprint.steps[source.name].scope is Scope.NIGHT


def _roles_of_source(blueprint: Blueprint, source: Source) -> frozenset[str]:
    return frozenset({source.name}) if source.kind == "role" else blueprint.roles[source.name]


def _join_roles(roles: Iterable[str]) -> str:
    return " or ".join(sorted(roles))


def _no_shot(roles: frozenset[str], item: Item) -> str:
    where = f"at {item.setting}" if item.setting is not None else "in the ticket" if item.ticket else "in the night"
    return f"no {_join_roles(roles)} shot {where}"


def expand_night(
    blueprint: Blueprint,
    steps: Sequence[Step],
    tickets: Sequence[IndexedTicket],
    members: Mapping[str, Sequence[Key]],
) -> tuple[Instance, ...]:
    """Return the instances of night-wide steps.

    Parameters
    ----------
    blueprint
        The night's blueprint.
    steps
        The night-wide steps of one round, in the plan's order.
    tickets
        Every ticket of the night.
    members
        Step of a ticket -> the keys of its instances in all tickets, in order.
    """
    return tuple(_night_instance(blueprint, step, tickets, members) for step in steps)


def _night_instance(
    blueprint: Blueprint, step: Step, tickets: Sequence[IndexedTicket], members: Mapping[str, Sequence[Key]]
) -> Instance:
    inputs: dict[str, Input] = {}
    lacks: list[str] = []
    for description in step.stage.inputs:
        source = step.inputs.get(description.name)
        found: tuple[Given | One, ...] = ()
        if source is None:
            inputs[description.name] = Nothing()
        elif source.kind == "stand":
            inputs[description.name] = blueprint.stand.get(source.name, Nothing())
        elif _night_wide(blueprint, source):
            inputs[description.name] = One(key=Key(step=source.name, item=NIGHT))
        elif source.kind == "ticket":
            found = tuple(give_ticket(ticket) for ticket in tickets)
        elif source.kind == "role":
            found = tuple(give_shot(shot) for ticket in tickets for shot in shots_of(ticket, {source.name}))
        else:
            found = tuple(One(key=key) for key in members.get(source.name, ()))
        if description.name not in inputs and source is not None:
            if found:
                inputs[description.name] = Many(
                    members=found, at_least=step.at_least, may_lack=may_lack(step, description)
                )
            elif description.optional:
                inputs[description.name] = Nothing()
            else:
                lacks.append(_no_shot(_roles_of_source(blueprint, source), NIGHT))
    return Instance(key=Key(step=step.name, item=NIGHT), inputs=inputs, lacks="; ".join(dict.fromkeys(lacks)))
