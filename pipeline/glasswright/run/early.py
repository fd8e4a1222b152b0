"""Checks shots as they arrive, before their ticket is complete, so that shots to be repeated are reported at once.

The results are discarded, because the panel that corrects a chart shot is shot after it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.intake.index import index_shots
from glasswright.plugin.outcome import Status
from glasswright.plugin.stage import Scope
from glasswright.run.graph.addresses import fingerprint
from glasswright.run.graph.expansion import draw_blueprint, expand_ticket
from glasswright.run.graph.lineage import step_sources
from glasswright.run.graph.phases import phases_of
from glasswright.run.reports import Reshoot, list_reshoots
from glasswright.run.workers.batch import Batch, Bench
from glasswright.run.workers.drive import drive
from glasswright.run.workers.work import code_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from glasswright.config import Plan, StandFile, Step
    from glasswright.intake.index import TicketRequest
    from glasswright.plugin.artefact import Artefact
    from glasswright.plugin.outcome import Outcome
    from glasswright.run.workers.drive import Halt
    from glasswright.run.workers.runners import Runner
    from glasswright.run.workers.work import Result, Unit


class _EmptyStore:
    """A store that keeps nothing."""

    def find(self, addresses: Iterable[str]) -> dict[str, Outcome]:
        """Return nothing."""
        del addresses
        return {}

    def load_artefact(self, address: str) -> Artefact:
        """Raise: nothing is kept."""
        raise AssertionError(f"nothing is kept at {address}")


class _Look:
    """The task of some shots."""

    def __init__(self, batch: Batch) -> None:
        self._batch = batch

    def start(self) -> Sequence[Unit]:
        """Return the first units."""
        return self._batch.advance()

    def accept(self, result: Result) -> Sequence[Unit]:
        """Accept results."""
        if not isinstance(result, tuple):
            raise AssertionError("shots that were read already were read again")
        self._batch.accept(result)
        return self._batch.advance()


def look_at_shots(
    plan: Plan,
    stand: StandFile,
    packages: Collection[str],
    request: TicketRequest,
    names: Collection[str],
    runner: Runner,
    halt: Halt,
) -> tuple[Reshoot, ...]:
    """Run a plan's steps for single shots, and return the shots to be shot or copied again.

    Parameters
    ----------
    names
        Of the shots, `role/file`.
    runner
        Running workers.
    """
    indexed = index_shots(request, names)
    steps = _choose_steps(plan)
    chosen = {step.name for step in steps}
    bench = Bench(
        codes={step.name: code_of(step) for step in plan.steps},
        prints=fingerprint(plan.steps, packages),
        store=_EmptyStore(),
    )
    instances = [
        each for each in expand_ticket(draw_blueprint(plan, stand.sections), indexed) if each.key.step in chosen
    ]
    others = {step.name for step in plan.steps} - chosen
    batch = Batch.prepare(request.ticket.number, bench, instances, phases_of(plan, steps, others), {})
    drive([_Look(batch)], runner, halt)
    outcomes = list(batch.outcomes.values())
    crashed = [
        Reshoot(
            what=each.item.shot or str(each.item.setting or "the ticket"), reason=f"`{each.step}` failed: {each.reason}"
        )
        for each in outcomes
        if each.status is Status.CRASHED
    ]
    contradictions = [Reshoot(what="the ticket", reason=each) for each in indexed.findings]
    return (*list_reshoots(indexed, outcomes), *crashed, *contradictions)


def _choose_steps(plan: Plan) -> tuple[Step, ...]:
    """Return the steps for single shots and their inputs, in the plan's order."""
    wanted = {step.name for step in plan.steps if step.scope is Scope.SHOT}
    for step in reversed(plan.steps):
        if step.name in wanted:
            wanted |= set(step_sources(step))
    return tuple(step for step in plan.steps if step.name in wanted)
