"""A batch: steps that are committed together, either of one ticket or the night-wide ones of one round."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from glasswright.plugin.outcome import Status
from glasswright.run.graph.instance import keys_of
from glasswright.run.graph.lookup import look_up
from glasswright.run.workers.work import MeasureUnit, select_instances

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from glasswright.plugin.outcome import Outcome
    from glasswright.run.graph.addresses import Fingerprint
    from glasswright.run.graph.instance import Instance, Key
    from glasswright.run.graph.lookup import Store
    from glasswright.run.graph.phases import Phase
    from glasswright.run.workers.run_step import StepCode


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Data that all batches of a night share."""

    codes: Mapping[str, StepCode]
    prints: Fingerprint
    store: Store
    retry: bool = False


@dataclass(slots=True, kw_only=True)
class Batch:
    """The state of a batch of steps."""

    name: str
    bench: Bench
    instances: Sequence[Instance]
    phases: Sequence[Phase]
    addresses: dict[Key, str]
    """Addresses of these instances and of those whose values they take."""
    outcomes: dict[Key, Outcome]
    new: list[Outcome] = field(default_factory=list)
    waiting_for: int = 0
    next_phase: int = 0

    @classmethod
    def prepare(
        cls,
        name: str,
        bench: Bench,
        instances: Sequence[Instance],
        phases: Sequence[Phase],
        known: Mapping[Key, tuple[str, Outcome]],
    ) -> Batch:
        """Return a batch with every instance's address and the outcomes that the ledger already has.

        Parameters
        ----------
        name
            Ticket number, or empty for the night.
        bench
            The night's shared data.
        instances
            In topological order.
        phases
            Phases of the instances' steps.
        known
            Addresses and outcomes of inputs from other batches.
        """
        others = {key: address for key, (address, _) in known.items()}
        addresses, found = look_up(instances, bench.prints, others, bench.store, retry=bench.retry)
        outcomes = {key: outcome for key, (_, outcome) in known.items()} | found
        return cls(
            name=name,
            bench=bench,
            instances=instances,
            phases=phases,
            addresses=others | addresses,
            outcomes=outcomes,
        )

    def is_finished(self) -> bool:
        """Return whether every instance has its outcome."""
        return self.waiting_for == 0 and self.next_phase >= len(self.phases)

    def manifest(self) -> tuple[str, ...]:
        """Return the addresses of the instances."""
        return tuple(self.addresses[each.key] for each in self.instances)

    def accept(self, outcomes: Sequence[Outcome]) -> None:
        """Add the outcomes of a unit."""
        by_address = {outcome.address: outcome for outcome in outcomes}
        for each in self.instances:
            outcome = by_address.get(self.addresses[each.key])
            if outcome is not None:
                self.outcomes[each.key] = outcome
                self.new.append(outcome)
        self.waiting_for -= 1

    def advance(self) -> list[MeasureUnit]:
        """Return the units that can run now; an empty list while others of the phase are running."""
        while self.waiting_for == 0 and self.next_phase < len(self.phases):
            units = list(self._units(self.phases[self.next_phase]))
            self.next_phase += 1
            self.waiting_for = len(units)
            if units:
                return units
        return []

    def forget_artefacts(self) -> None:
        """Drop all artefacts; they are in the ledger."""
        self.outcomes = {key: replace(outcome, artefact=None) for key, outcome in self.outcomes.items()}

    def _units(self, phase: Phase) -> Iterator[MeasureUnit]:
        groups: dict[tuple[frozenset[str], str], list[Instance]] = {}
        homes = {step: chain for chain in phase.chains for step in chain}
        for each in self.instances:
            step = each.key.step
            if step in homes:
                groups.setdefault((homes[step], each.key.item.shot), []).append(each)
            elif step in phase.light:
                groups.setdefault((phase.light, ""), []).append(each)
        for number, ((_, shot), group) in enumerate(groups.items()):
            chosen, again = select_instances(group, self.bench.codes, self.outcomes)
            if chosen:
                yield self._unit(f"{self.name}/{self.next_phase}/{number}/{shot}", shot, chosen, again)

    def _unit(self, name: str, shot: str, chosen: tuple[Instance, ...], again: frozenset[Key]) -> MeasureUnit:
        own = {each.key for each in chosen}
        taken = {key for each in chosen for key in keys_of(each)} - own
        return MeasureUnit(
            name=name,
            ticket=self.name,
            shot=shot,
            instances=chosen,
            addresses={key: self.addresses[key] for key in own},
            again=again,
            known={key: self._with_artefact(key) for key in taken},
            codes={each.key.step: self.bench.codes[each.key.step] for each in chosen},
        )

    def _with_artefact(self, key: Key) -> Outcome:
        outcome = self.outcomes[key]
        kept = not self.bench.codes[key.step].returns.bulk
        if outcome.status is Status.DONE and outcome.artefact is None and kept:
            outcome = replace(outcome, artefact=self.bench.store.load_artefact(self.addresses[key]))
            self.outcomes[key] = outcome
        return outcome
