"""Units of work: what a process receives as one task, and how it runs it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeAlias

from glasswright.intake.checksums import hash_file, stamp_of
from glasswright.intake.index import IndexedTicket, TicketRequest, index_ticket
from glasswright.plain_text import escape
from glasswright.plugin.artefact import Shot
from glasswright.plugin.outcome import Outcome, Status
from glasswright.remote import LocalCopies, RemotePath, is_remote
from glasswright.run.graph.instance import Given, Many, Nothing, One, keys_of, members_of
from glasswright.run.workers.run_step import StepCode, run_step, without_bulk

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.config import Step
    from glasswright.run.graph.instance import Input, Instance, Key


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureUnit:
    """Steps that one process runs in sequence; only light artefacts are passed in and out."""

    name: str
    ticket: str
    shot: str
    """The shot whose raw file it opens; empty for none."""
    instances: tuple[Instance, ...]
    """In topological order."""
    addresses: Mapping[Key, str]
    again: frozenset[Key]
    """Bulk steps that must be repeated because bulk is not kept; they are not reported again."""
    known: Mapping[Key, Outcome]
    """Outcomes of inputs outside the unit, with their artefacts."""
    codes: Mapping[str, StepCode]


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexUnit:
    """Reading a ticket's files for their digests and EXIF."""

    name: str
    ticket: str
    request: TicketRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexFailure:
    """The reason why a ticket's files could not be listed."""

    reason: str


Unit: TypeAlias = MeasureUnit | IndexUnit
Result: TypeAlias = "tuple[Outcome, ...] | IndexedTicket | IndexFailure"


class Watch(Protocol):
    """Follows what a process is doing, so that a step that hangs or dies can be identified."""

    def begin(self, name: str) -> None:
        """Record that a step (given by its address) or the indexing of a ticket begins."""

    def done(self, outcome: Outcome) -> None:
        """Record an outcome."""


class NoWatch:
    """Records nothing."""

    def begin(self, name: str) -> None:
        """Do nothing."""

    def done(self, outcome: Outcome) -> None:
        """Do nothing."""


def code_of(step: Step) -> StepCode:
    """Return what is needed to run a step as plain data and an importable function."""
    settings = step.settings
    return StepCode(
        stage=step.stage.id,
        function=step.stage.function,
        settings={name: getattr(settings, name) for name in type(settings).model_fields},
        returns=step.stage.returns,
        gathered={each.name: each.artefact for each in step.stage.inputs if each.gathers},
    )


def perform(unit: Unit, watch: Watch) -> Result:
    """Run a unit of work."""
    if isinstance(unit, MeasureUnit):
        return _measure(unit, watch)
    watch.begin(unit.name)
    try:
        return index_ticket(unit.request)
    except OSError as error:
        return IndexFailure(reason=escape(f"its folder cannot be read: {error}"))


def _measure(unit: MeasureUnit, watch: Watch) -> tuple[Outcome, ...]:
    """Run a unit's steps in order; a bulk artefact is dropped after its last reader."""
    with LocalCopies() as copies:
        return _run_steps(unit, watch, copies)


def _run_steps(unit: MeasureUnit, watch: Watch, copies: LocalCopies) -> tuple[Outcome, ...]:
    outcomes: dict[Key, Outcome] = dict(unit.known)
    last_reader = last_readers(unit.instances)
    reported: list[Outcome] = []
    for position, instance in enumerate(unit.instances):
        key = instance.key
        watch.begin(unit.addresses[key])
        outcome = _guard_again(instance, unit, outcomes) or _run(instance, unit, outcomes, copies)
        if outcome.status is Status.DONE and (changed := _changed_files(instance)):
            outcome = crashed(
                key, unit, f"{changed} was written to while it was measured: measure it again with --retry"
            )
        outcomes[key] = outcome
        if key not in unit.again:
            reported.append(without_bulk(outcome))
            watch.done(reported[-1])
        for read in [*keys_of(instance), key]:
            if last_reader.get(read, -1) <= position:
                outcomes[read] = without_bulk(outcomes[read])
    return tuple(reported)


def _run(instance: Instance, unit: MeasureUnit, outcomes: Mapping[Key, Outcome], copies: LocalCopies) -> Outcome:
    """Run one step; its remote shots are copied here first."""
    key = instance.key
    try:
        local = _copy_shots(instance, copies)
    except OSError as error:
        why = f"{error.filename} cannot be read ({error.strerror or error}): measure it again with --retry"
        return crashed(key, unit, why)
    except ChangedError as error:
        return crashed(key, unit, str(error))
    outcome = run_step(local, unit.addresses[key], unit.codes[key.step], outcomes)
    if local is instance:
        return outcome
    # the reason must not depend on where the copy was
    reason, trace = copies.name_sources(outcome.reason), copies.name_sources(outcome.traceback)
    return replace(outcome, reason=reason, traceback=trace)


class ChangedError(Exception):
    """A remote file has other bytes than when it was indexed, so that the address would be wrong."""


def _copy_shots(instance: Instance, copies: LocalCopies) -> Instance:
    """Return the instance with the paths of local copies in place of URLs; itself if it takes no remote shot."""

    def copy(member: Given | One) -> Given | One:
        shot = member.artefact if isinstance(member, Given) else None
        if not isinstance(shot, Shot) or not isinstance(member, Given) or not is_remote(shot.path) or member.refusal:
            return member
        local = copies.copy(RemotePath(shot.path))
        if hash_file(local) != shot.sha256:
            raise ChangedError(f"{shot.name} was written to after it was indexed: measure it again with --retry")
        return replace(member, artefact=replace(shot, path=str(local)))

    inputs: dict[str, Input] = {}
    for name, source in instance.inputs.items():
        if isinstance(source, Many):
            inputs[name] = replace(source, members=tuple(copy(member) for member in source.members))
        else:
            inputs[name] = source if isinstance(source, Nothing) else copy(source)
    return instance if inputs == instance.inputs else replace(instance, inputs=inputs)


def _guard_again(instance: Instance, unit: MeasureUnit, outcomes: Mapping[Key, Outcome]) -> Outcome | None:
    """Return CRASHED if a repeated bulk step that was DONE before is not DONE now; SKIPPED would be kept for ever."""
    for key in keys_of(instance):
        if key in unit.again and outcomes[key].status is not Status.DONE:
            reason = (
                f"{key} was done in an earlier run and is now {outcomes[key].status.value} ({outcomes[key].reason})"
            )
            return crashed(instance.key, unit, reason)
    return None


def _changed_files(instance: Instance) -> str:
    """Return the names of files that changed since their digests were computed, so that the address would be wrong."""
    given = [each for source in instance.inputs.values() for each in members_of(source) if isinstance(each, Given)]
    changed = []
    for each in given:
        if each.stamp is not None and isinstance(each.artefact, Shot):
            try:
                same = stamp_of(Path(each.artefact.path)) == each.stamp
            except OSError:
                same = False
            changed += [] if same else [each.name]
    return ", ".join(changed)


def last_readers(instances: Sequence[Instance]) -> dict[Key, int]:
    """Return key -> position of the last instance that takes its value."""
    return {key: position for position, instance in enumerate(instances) for key in keys_of(instance)}


def select_instances(
    instances: Sequence[Instance],
    codes: Mapping[str, StepCode],
    outcomes: Mapping[Key, Outcome],
) -> tuple[tuple[Instance, ...], frozenset[Key]]:
    """Choose the instances of a group that must run.

    Parameters
    ----------
    instances
        The group, in topological order.
    codes
        Code of every step.
    outcomes
        The known outcomes.

    Returns
    -------
    instances
        Those without an outcome, and the bulk ones that they need, which are not kept.
    again
        Keys of those bulk ones.
    """
    wanted: set[Key] = set()
    again: set[Key] = set()
    for instance in reversed(instances):
        key = instance.key
        if key in outcomes and key not in wanted:
            continue
        if key in outcomes:
            again.add(key)
        for taken in keys_of(instance):
            outcome = outcomes.get(taken)
            if outcome is not None and outcome.status is Status.DONE and codes[taken.step].returns.bulk:
                wanted.add(taken)
    chosen = tuple(each for each in instances if each.key not in outcomes or each.key in again)
    return chosen, frozenset(again)


def reduce_unit(unit: MeasureUnit, outcomes: Iterable[Outcome]) -> MeasureUnit | None:
    """Return the unit without the steps whose outcomes are known, or None if none remain."""
    by_address = {outcome.address: outcome for outcome in outcomes}
    done = {key: by_address[address] for key, address in unit.addresses.items() if address in by_address}
    remade = {key: blank_done(key, unit) for key in unit.again}
    chosen, again = select_instances(unit.instances, unit.codes, {**remade, **done})
    return replace(unit, instances=chosen, again=again, known={**unit.known, **done}) if chosen else None


def blank_done(key: Key, unit: MeasureUnit) -> Outcome:
    """Return a placeholder outcome for a bulk step that was DONE in an earlier run."""
    return Outcome(
        step=key.step, stage=unit.codes[key.step].stage, item=key.item, address=unit.addresses[key], status=Status.DONE
    )


def crashed(key: Key, unit: MeasureUnit, reason: str, trace: str = "") -> Outcome:
    """Return the CRASHED outcome of a step that did not end by itself."""
    return replace(blank_done(key, unit), status=Status.CRASHED, reason=reason, traceback=trace)
