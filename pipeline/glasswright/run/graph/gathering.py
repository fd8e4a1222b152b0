"""Collects the inputs of a step, or reports what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from glasswright.plugin.outcome import Status
from glasswright.run.graph.instance import Given, Many, Nothing, One

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.outcome import Outcome
    from glasswright.run.graph.instance import Instance, Key

FEWEST_FOR_OUTLIERS: Final = 3
"""Fewest members among which an outlier can be identified."""
OUTLIER_NOTE: Final = "left out as an outlier: "
LEFT_OUT: Final = "left out: "
"""Prefix of the note on a missing member, if the plan's `at_least` is met without it."""
WITHOUT: Final = "made without "
"""Prefix of the note on a missing optional input, with the reason."""
MADE_WITHOUT: Final = "made_without"
"""Caveat of a result made without something that was shot; it passes no limit unless the card accepts the caveat."""
BECAUSE: Final = " because "
"""Separator, in the reason of a skipped step, between what it lacks and the root cause."""
MOST_CAUSES: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """The collected inputs of a step."""

    values: Mapping[str, Any]
    caveats: frozenset[str]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a step is not run."""

    status: Status
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Member:
    """One member of an input: its value, or the root cause why there is none."""

    name: str
    value: Artefact | None
    cause: str = ""
    is_not_applicable: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Missing:
    """What a step lacks, and the root causes."""

    lacks: list[str]
    causes: list[str]

    def add(self, lack: str, causes: Sequence[str]) -> None:
        self.lacks.append(lack)
        self.causes.extend(causes)

    def __str__(self) -> str:
        """Return the message, with each cause named once."""
        different = list(dict.fromkeys(self.causes))
        more = f"; and {len(different) - MOST_CAUSES} more" if len(different) > MOST_CAUSES else ""
        why = BECAUSE + "; ".join(different[:MOST_CAUSES]) + more if different else ""
        return ", ".join(self.lacks) + why


def take_inputs(
    instance: Instance, gathered: Mapping[str, type[Artefact]], outcomes: Mapping[Key, Outcome]
) -> Taken | Refusal:
    """Return a step's inputs, or a refusal that names everything that is missing."""
    if instance.lacks:
        return Refusal(status=Status.SKIPPED, reason=instance.lacks)
    ticket = instance.key.item.ticket
    values: dict[str, Any] = {}
    missing = _Missing(lacks=[], causes=[])
    notes: list[str] = []
    caveats: set[str] = set()
    absent: list[str] = []
    for name, source in instance.inputs.items():
        if isinstance(source, Given) and source.refusal:
            return Refusal(status=Status.UNMEASURABLE, reason=source.refusal)
        if isinstance(source, Nothing):
            values[name] = None
        elif isinstance(source, Many):
            members = [_member(member, outcomes, ticket) for member in source.members]
            values[name] = _gather(name, members, source, gathered[name], missing, absent, notes)
            if len(values[name]) < len(members) and gathered[name].left_out_caveat:
                caveats.add(gathered[name].left_out_caveat)
        else:
            member = _member(source, outcomes, ticket)
            values[name] = member.value
            if member.value is None and isinstance(source, One) and source.may_lack:
                absent += [] if member.is_not_applicable else [member.cause]
            elif member.value is None:
                missing.add(f"`{name}` is missing", [member.cause])
    if missing.lacks:
        return Refusal(status=Status.SKIPPED, reason=str(missing))
    values = {name: (value,) if name in gathered and _is_single(value) else value for name, value in values.items()}
    caveats |= {*_caveats(values.values()), *([MADE_WITHOUT] if absent else [])}
    notes += [WITHOUT + cause for cause in dict.fromkeys(absent)]
    return Taken(values=values, caveats=frozenset(caveats), notes=tuple(notes))


def _gather(
    name: str,
    members: Sequence[_Member],
    source: Many,
    kind: type[Artefact],
    missing: _Missing,
    absent: list[str],
    notes: list[str],
) -> tuple[Artefact, ...]:
    """Return the members that exist and are not outliers; if too few, add the missing ones and their causes.

    If the stage can run without this input, missing members are added to `absent`.
    """
    there = [member for member in members if member.value is not None]
    values = [member.value for member in there if member.value is not None]
    outliers = kind.find_outliers(values) if len(values) >= FEWEST_FOR_OUTLIERS else {}
    left_out = [f"{there[index].name} ({reason})" for index, reason in sorted(outliers.items())]
    notes += [OUTLIER_NOTE + text for text in left_out]
    kept = tuple(value for index, value in enumerate(values) if index not in outliers)
    # a gather needs at least one member, whatever the plan says, unless the stage can run without
    least = 0 if source.may_lack else 1
    wanted = max(len(members) if source.at_least is None else source.at_least, least)
    causes = [member.cause for member in members if member.value is None and not member.is_not_applicable]
    if source.may_lack:
        absent += causes
    else:
        notes += [LEFT_OUT + cause for cause in dict.fromkeys(causes)]
    if len(kept) < wanted:
        causes += [f"{text} is an outlier" for text in left_out]
        missing.add(f"`{name}` has {len(kept)} of the {wanted} it needs", causes)
    return kept


def _member(source: Given | One, outcomes: Mapping[Key, Outcome], ticket: str) -> _Member:
    if isinstance(source, Given):
        if source.refusal:
            return _Member(name=source.name, value=None, cause=f"{source.name} {source.refusal}")
        return _Member(name=source.name, value=source.artefact)
    outcome = outcomes[source.key]
    name = source.key.within(ticket)
    if outcome.status is Status.DONE:
        return _Member(name=name, value=outcome.artefact)
    if outcome.status is Status.SKIPPED:
        # only the root cause is reported, not every step in between
        _, _, cause = outcome.reason.partition(BECAUSE)
        return _Member(name=name, value=None, cause=cause or outcome.reason)
    cause = f"{name} is {outcome.status.value}: {outcome.reason}"
    return _Member(name=name, value=None, cause=cause, is_not_applicable=outcome.status is Status.NOT_APPLICABLE)


def _is_single(value: object) -> bool:
    return value is not None and not isinstance(value, tuple)


def _caveats(values: Iterable[Any]) -> Iterable[str]:
    for value in values:
        for artefact in value if isinstance(value, tuple) else (value,):
            if artefact is not None:
                yield from artefact.caveats
