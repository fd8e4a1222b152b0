"""Units of work: what is handed to a process as one task, and how it is done there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeAlias

from glasswright.intake.checksums import stamp_of
from glasswright.intake.index import IndexedTicket, TicketRequest, index_ticket
from glasswright.plain_text import escape
from glasswright.plugin.artefact import Shot
from glasswright.plugin.outcome import Outcome, Status
from glasswright.run.graph.instance import Given, keys_of, members_of
from glasswright.run.workers.run_step import StepCode, run_step, without_bulk

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.config import Step
    from glasswright.run.graph.instance import Instance, Key


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureUnit:
    """Steps that one process runs one after another; only light artefacts come in and go out."""

    name: str
    ticket: str
    shot: str
    """The shot whose raw file it opens; empty where it opens none."""
    instances: tuple[Instance, ...]
    """Inputs before what takes them."""
    addresses: Mapping[Key, str]
    again: frozenset[Key]
    """Bulk that is not kept and is made once more for those that need it; it is not reported again."""
    known: Mapping[Key, Outcome]
    """Outcomes of steps that are not in the unit, with their artefacts."""
    codes: Mapping[str, StepCode]


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexUnit:
    """Reading a ticket's files for their digests and EXIF."""

    name: str
    ticket: str
    request: TicketRequest


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexFailure:
    """Why a ticket's files could not even be listed."""

    reason: str


Unit: TypeAlias = MeasureUnit | IndexUnit
Result: TypeAlias = "tuple[Outcome, ...] | IndexedTicket | IndexFailure"


class Watch(Protocol):
    """Is told what a process is doing, so that a step that hangs or dies can be named."""

    def begin(self, name: str) -> None:
        """Take note that a step (named by its address) or the indexing of a ticket begins."""

    def done(self, outcome: Outcome) -> None:
        """Take note of an outcome that is reported."""


class NoWatch:
    """Takes no note of anything."""

    def begin(self, name: str) -> None:
        """Do nothing."""

    def done(self, outcome: Outcome) -> None:
        """Do nothing."""


def code_of(step: Step) -> StepCode:
    """Return what running a step takes as plain data and an importable function."""
    settings = step.settings
    return StepCode(
        stage=step.stage.id,
        function=step.stage.function,
        settings={name: getattr(settings, name) for name in type(settings).model_fields},
        returns=step.stage.returns,
        gathered={each.name: each.artefact for each in step.stage.inputs if each.gathers},
    )


def perform(unit: Unit, watch: Watch) -> Result:
    """Do a unit of work."""
    if isinstance(unit, MeasureUnit):
        return _measure(unit, watch)
    watch.begin(unit.name)
    try:
        return index_ticket(unit.request)
    except OSError as error:
        return IndexFailure(reason=escape(f"its folder cannot be read: {error}"))


def _measure(unit: MeasureUnit, watch: Watch) -> tuple[Outcome, ...]:
    """Run a unit's steps in order; a bulk artefact is let go with its last reader."""
    outcomes: dict[Key, Outcome] = dict(unit.known)
    last_reader = last_readers(unit.instances)
    reported: list[Outcome] = []
    for position, instance in enumerate(unit.instances):
        key = instance.key
        watch.begin(unit.addresses[key])
        outcome = _guard_again(instance, unit, outcomes) or run_step(
            instance, unit.addresses[key], unit.codes[key.step], outcomes
        )
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


def _guard_again(instance: Instance, unit: MeasureUnit, outcomes: Mapping[Key, Outcome]) -> Outcome | None:
    """A bulk value that was DONE in an earlier night and now is not is no reason to keep a SKIPPED for ever."""
    for key in keys_of(instance):
        if key in unit.again and outcomes[key].status is not Status.DONE:
            reason = (
                f"{key} was done in an earlier run and now is {outcomes[key].status.value} ({outcomes[key].reason})"
            )
            return crashed(instance.key, unit, reason)
    return None


def _changed_files(instance: Instance) -> str:
    """Name the files that are no longer what was read for their digests: the address would speak of other bytes."""
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
    """Return for each key the position of the last instance that takes its value."""
    return {key: position for position, instance in enumerate(instances) for key in keys_of(instance)}


def select_instances(
    instances: Sequence[Instance],
    codes: Mapping[str, StepCode],
    outcomes: Mapping[Key, Outcome],
) -> tuple[tuple[Instance, ...], frozenset[Key]]:
    """Choose what of a group of steps has to run.

    Parameters
    ----------
    instances
        The group, inputs before what takes them.
    codes
        Of every step.
    outcomes
        Those that are known.

    Returns
    -------
    instances
        Those without an outcome, and before them the bulk ones they need, whose values nobody keeps.
    again
        The keys of the latter.
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
    """Return what is left of a unit once some of its outcomes are known, or None if nothing is."""
    by_address = {outcome.address: outcome for outcome in outcomes}
    done = {key: by_address[address] for key, address in unit.addresses.items() if address in by_address}
    remade = {key: blank_done(key, unit) for key in unit.again}
    chosen, again = select_instances(unit.instances, unit.codes, {**remade, **done})
    return replace(unit, instances=chosen, again=again, known={**unit.known, **done}) if chosen else None


def blank_done(key: Key, unit: MeasureUnit) -> Outcome:
    """Stand in for a bulk step that was DONE in an earlier run."""
    return Outcome(
        step=key.step, stage=unit.codes[key.step].stage, item=key.item, address=unit.addresses[key], status=Status.DONE
    )


def crashed(key: Key, unit: MeasureUnit, reason: str, trace: str = "") -> Outcome:
    """Return the outcome of a step that could not end by itself."""
    return replace(blank_done(key, unit), status=Status.CRASHED, reason=reason, traceback=trace)
