"""The two kinds of task of a night: measuring a ticket, and the night-wide steps of a round."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from glasswright.intake.dates import moment_of_exif, nights_of
from glasswright.intake.index import IndexedShot, IndexedTicket
from glasswright.ledger import ShotRecord, TicketRecord
from glasswright.ledger.records import ShotUse
from glasswright.plain_text import escape
from glasswright.plugin.artefact import Ticket
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright.run.graph.expansion import expand_night, expand_ticket
from glasswright.run.graph.grouping import settings_of
from glasswright.run.graph.lineage import rounds_of
from glasswright.run.graph.phases import phases_of
from glasswright.run.reports import TicketReport, count_used, list_reshoots, report_outcomes
from glasswright.run.workers.batch import Batch
from glasswright.run.workers.work import IndexFailure, IndexUnit

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from glasswright.config import Plan, StandFile, Step
    from glasswright.intake.index import TicketRequest
    from glasswright.ledger import Ledger
    from glasswright.plugin.outcome import Outcome
    from glasswright.run.graph.expansion import Blueprint
    from glasswright.run.graph.instance import Instance, Key
    from glasswright.run.graph.phases import Phase
    from glasswright.run.workers.batch import Bench
    from glasswright.run.workers.work import Result, Unit


class Listener(Protocol):
    """Receives the progress of a night."""

    def shot_done(self, ticket: str) -> None:
        """Handle that a shot's raw file was read and measured."""

    def ticket_done(self, report: TicketReport) -> None:
        """Handle that a ticket is measured and in the ledger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """Data that all tasks of a night share."""

    plan: Plan
    stand: StandFile
    blueprint: Blueprint
    bench: Bench
    ledger: Ledger
    run: int
    listener: Listener
    judge: Callable[[str], tuple[str, tuple[str, ...]]]
    """Function: ticket number -> verdict and reasons; the verdict is empty if nothing is judged."""
    method_sha256: str
    """SHA-256 of the kept method."""
    is_gathered: bool
    """Whether the plan has night-wide steps, so that tickets must keep their instances."""


def last_round(plan: Plan) -> int:
    """Return the last round in which tickets have steps."""
    rounds = rounds_of(plan)
    return max((rounds[step.name] for step in plan.steps if step.scope is not Scope.NIGHT), default=0)


def _steps_of_round(plan: Plan, number: int, *, night: bool) -> tuple[Step, ...]:
    rounds = rounds_of(plan)
    return tuple(step for step in plan.steps if rounds[step.name] == number and (step.scope is Scope.NIGHT) is night)


def _phases(plan: Plan, steps: Sequence[Step]) -> tuple[Phase, ...]:
    names = {step.name for step in steps}
    return phases_of(plan, steps, {step.name for step in plan.steps} - names)


@dataclass(slots=True, kw_only=True)
class TicketTask:
    """One ticket, from its folder to the ledger."""

    night: Night
    request: TicketRequest
    indexed: IndexedTicket | None = None
    failure: str = ""
    round: int = 0
    instances: tuple[Instance, ...] = ()
    settled: dict[Key, tuple[str, Outcome]] = field(default_factory=dict)
    """Address and outcome of every finished instance, and of night-wide steps."""
    batch: Batch | None = None
    shots_done: set[str] = field(default_factory=set)
    measured: int = 0
    begun: bool = False
    """Whether the ledger has recorded the beginning of the attempt."""
    report: TicketReport | None = None

    def begin_round(self, number: int, night_wide: Mapping[Key, tuple[str, Outcome]]) -> None:
        """Start the next round, whose steps needed the night-wide ones."""
        self.round = number
        self.settled.update(night_wide)

    @property
    def _folder(self) -> str:
        return escape(str(self.request.folder))

    def start(self) -> Sequence[Unit]:
        """Return the first units: reading the files, or in later rounds what can be measured."""
        if self.round > 0:
            return self._prepare()
        number = self.request.ticket.number
        return [IndexUnit(name=f"{number}/index", ticket=number, request=self.request)]

    def accept(self, result: Result) -> Sequence[Unit]:
        """Process the result of a unit; return the next units."""
        if isinstance(result, IndexFailure):
            self.failure = result.reason
            number = self.request.ticket.number
            self.night.ledger.refuse_tickets(self.night.run, [number], self._folder, result.reason)
            return []
        if isinstance(result, IndexedTicket):
            self.indexed = result
            self.instances = expand_ticket(self.night.blueprint, result)
            return self._prepare()
        if self.batch is None:
            raise AssertionError("a result came for a ticket that is not being measured")
        self.batch.accept(result)
        self.measured += len(result)
        self._count_shots(result)
        return self._advance(self.batch)

    def _prepare(self) -> Sequence[Unit]:
        plan = self.night.plan
        steps = _steps_of_round(plan, self.round, night=False)
        names = {step.name for step in steps}
        own = [each for each in self.instances if each.key.step in names]
        number = self.request.ticket.number
        self.batch = Batch.prepare(number, self.night.bench, own, _phases(plan, steps), self.settled)
        return self._advance(self.batch)

    def _advance(self, batch: Batch) -> Sequence[Unit]:
        units = batch.advance()
        if units and not self.begun:
            # before a shot is opened: if the run dies, earlier measurements must not count
            self.night.ledger.begin_ticket(self.night.run, self.request.ticket.number, self._folder)
            self.begun = True
        if batch.is_finished():
            self._finish(batch)
        return units

    def _finish(self, batch: Batch) -> None:
        self.settled.update(
            {each.key: (batch.addresses[each.key], batch.outcomes[each.key]) for each in batch.instances}
        )
        is_whole = self.round == last_round(self.night.plan)
        if is_whole:
            self.night.ledger.commit_ticket(self.night.run, self._record(), batch.new)
        else:
            self.night.ledger.keep_outcomes(self.night.run, batch.new)
        batch.forget_artefacts()
        self.settled = {
            key: (address, batch.outcomes.get(key, outcome)) for key, (address, outcome) in self.settled.items()
        }
        self.batch = None
        if is_whole:
            self.report = self._describe()
            self.night.listener.ticket_done(self.report)
            if not self.night.is_gathered:
                # no longer needed; a night has many tickets
                self.instances, self.indexed, self.settled, self.shots_done = (), None, {}, set()

    def _own(self) -> list[tuple[str, Outcome]]:
        return [self.settled[each.key] for each in self.instances if each.key in self.settled]

    def _record(self) -> TicketRecord:
        if self.indexed is None:
            raise AssertionError("a ticket was measured before its files were read")
        roles = {each.shot.role for each in self.indexed.shots}
        return TicketRecord(
            ticket=self.indexed.ticket,
            folder=self.indexed.folder,
            plan_sha256=self.night.plan.sha256,
            method_sha256=self.night.method_sha256,
            stand=self.night.stand.name,
            stand_sha256=self.night.stand.sha256,
            findings=(*self.indexed.findings, *self.indexed.unused),
            settings=settings_of(self.indexed, roles, self.night.blueprint.nominal),
            shots=self._shot_records(self.indexed),
            manifest=tuple(address for address, _ in self._own()),
            nights=nights_of(each.shot.facts.captured_at for each in self.indexed.shots),
            remarks=self.indexed.remarks,
            lens_serials=self.indexed.lens_serials,
            body_serials=self.indexed.body_serials,
        )

    def _shot_records(self, indexed: IndexedTicket) -> tuple[ShotRecord, ...]:
        """Return the record of every shot: its use, and its content digest if a stage gave one."""
        own = [(address, outcome) for address, outcome in self._own() if outcome.item.scope is Scope.SHOT]
        kept = self.night.ledger.find_contents(address for address, _ in own)
        new = {address: outcome.content_digest for address, outcome in own if outcome.content_digest is not None}
        contents = kept | new
        by_shot: dict[str, list[tuple[str, Outcome]]] = {}
        for address, outcome in own:
            by_shot.setdefault(outcome.item.shot, []).append((address, outcome))
        records = []
        for each in indexed.shots:
            looked_at = by_shot.get(each.shot.name, [])
            captured = moment_of_exif(each.shot.facts.captured_at)
            records.append(
                ShotRecord(
                    name=each.shot.name,
                    role=each.shot.role,
                    sha256=each.shot.sha256,
                    use=self._use_of(each, [outcome for _, outcome in looked_at]),
                    content_digest=next((contents[key] for key, _ in looked_at if contents.get(key)), ""),
                    captured_at=captured.isoformat() if captured is not None else "",
                    setting=each.shot.setting,
                )
            )
        return tuple(records)

    def _use_of(self, indexed: IndexedShot, outcomes: Sequence[Outcome]) -> ShotUse:
        if indexed.absent or indexed.rejected:
            return ShotUse.ABSENT if indexed.absent else ShotUse.REJECTED
        done = [outcome for outcome in outcomes if outcome.status is Status.DONE]
        if not done:
            return ShotUse.UNREAD
        codes = self.night.bench.codes
        return ShotUse.READ if all(codes[each.step].returns.bulk for each in done) else ShotUse.MEASURED

    def _describe(self) -> TicketReport:
        if self.indexed is None:
            raise AssertionError("a ticket was measured before its files were read")
        outcomes = [outcome for _, outcome in self._own()]
        verdict, reasons = self.night.judge(self.indexed.ticket.number)
        return TicketReport(
            number=self.indexed.ticket.number,
            model=self.indexed.ticket.model,
            serial=self.indexed.ticket.serial,
            folder=self.indexed.folder,
            shots=count_used(self.indexed, outcomes),
            measured=self.measured,
            found=len(outcomes) - self.measured,
            refusals=report_outcomes(outcomes),
            reshoot=list_reshoots(self.indexed, outcomes),
            findings=self.indexed.findings,
            unused=self.indexed.unused,
            notes=self.indexed.ticket.notes,
            verdict=verdict,
            verdict_reasons=reasons,
        )

    def _count_shots(self, outcomes: Sequence[Outcome]) -> None:
        for shot in {outcome.item.shot for outcome in outcomes if outcome.item.shot} - self.shots_done:
            self.shots_done.add(shot)
            self.night.listener.shot_done(self.request.ticket.number)


@dataclass(slots=True, kw_only=True)
class NightTask:
    """The night-wide steps of one round."""

    night: Night
    round: int
    tickets: Sequence[TicketTask]
    settled: dict[Key, tuple[str, Outcome]]
    """Address and outcome of the night-wide steps of all rounds so far."""
    batch: Batch | None = None
    measured: int = 0

    def start(self) -> Sequence[Unit]:
        """Return the one unit of the round's steps."""
        plan = self.night.plan
        steps = _steps_of_round(plan, self.round, night=True)
        known = {key: value for task in self.tickets for key, value in task.settled.items()} | self.settled
        members: dict[str, list[Key]] = {}
        for task in self.tickets:
            for each in task.instances:
                if each.key in task.settled:
                    members.setdefault(each.key.step, []).append(each.key)
        indexed = [task.indexed for task in self.tickets if task.indexed is not None]
        instances = expand_night(self.night.blueprint, steps, indexed, members)
        self.batch = Batch.prepare("", self.night.bench, instances, _phases(plan, steps), known)
        return self._advance(self.batch)

    def accept(self, result: Result) -> Sequence[Unit]:
        """Process the result of a unit; return the next units."""
        if self.batch is None or isinstance(result, IndexedTicket | IndexFailure):
            raise AssertionError("the night-wide steps received a result that is not theirs")
        self.batch.accept(result)
        self.measured += len(result)
        return self._advance(self.batch)

    def _advance(self, batch: Batch) -> Sequence[Unit]:
        units = batch.advance()
        if batch.is_finished():
            self.settled.update(
                {each.key: (batch.addresses[each.key], batch.outcomes[each.key]) for each in batch.instances}
            )
            self.night.ledger.commit_ticket(self.night.run, self._record(), batch.new)
        return units

    def _record(self) -> TicketRecord:
        return TicketRecord(
            ticket=Ticket(number="", model="", serial="", phase="study", body=""),
            folder="",
            plan_sha256=self.night.plan.sha256,
            method_sha256=self.night.method_sha256,
            stand=self.night.stand.name,
            stand_sha256=self.night.stand.sha256,
            manifest=tuple(address for address, _ in self.settled.values()),
        )
