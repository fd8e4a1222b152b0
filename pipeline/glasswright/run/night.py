"""A night: every ticket from its folder to the ledger."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.intake.tickets import RefusedTicket
from glasswright.ledger.documents import method_document
from glasswright.plain_text import escape
from glasswright.plugin.stage import Scope
from glasswright.run.graph.addresses import fingerprint
from glasswright.run.graph.expansion import draw_blueprint
from glasswright.run.graph.lineage import rounds_of
from glasswright.run.reports import TicketReport, report_outcomes
from glasswright.run.tasks import Night, NightTask, TicketTask
from glasswright.run.workers.batch import Bench
from glasswright.run.workers.drive import drive
from glasswright.run.workers.work import code_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence

    from glasswright.config import Plan, StandFile
    from glasswright.intake.index import TicketRequest
    from glasswright.ledger import Ledger
    from glasswright.plugin.outcome import Outcome
    from glasswright.run.graph.instance import Key
    from glasswright.run.tasks import Listener
    from glasswright.run.workers.drive import Halt
    from glasswright.run.workers.runners import Runner


@dataclass(frozen=True, slots=True, kw_only=True)
class NightReport:
    """The results of a night."""

    tickets: tuple[TicketReport, ...]
    night_wide: TicketReport | None
    """The night-wide steps; None if the plan has none."""
    failed: tuple[RefusedTicket, ...]
    """Tickets whose files could not be listed."""
    unfinished: tuple[str, ...]
    """Tickets that were not measured because the night was stopped."""


def prepare_night(
    plan: Plan,
    stand: StandFile,
    packages: Collection[str],
    ledger: Ledger,
    run: int,
    listener: Listener,
    judge: Callable[[str], tuple[str, tuple[str, ...]]],
    *,
    retry: bool = False,
) -> Night:
    """Return the data that all tickets of a night share.

    Parameters
    ----------
    plan
        The plan.
    stand
        The stand file.
    packages
        Top-level packages of all plugins.
    ledger
        The ledger, open for writing.
    run
        Number of this run in the ledger.
    listener
        Receives the progress.
    judge
        Function: ticket number -> verdict and reasons.
    retry
        Whether to repeat crashed steps.
    """
    bench = Bench(
        codes={step.name: code_of(step) for step in plan.steps},
        prints=fingerprint(plan.steps, packages),
        store=ledger,
        retry=retry,
    )
    return Night(
        plan=plan,
        stand=stand,
        blueprint=draw_blueprint(plan, stand.sections),
        bench=bench,
        ledger=ledger,
        run=run,
        listener=listener,
        judge=judge,
        method_sha256=method_document(plan).sha256,
        is_gathered=any(step.scope is Scope.NIGHT for step in plan.steps),
    )


def measure_night(night: Night, requests: Sequence[TicketRequest], runner: Runner, halt: Halt) -> NightReport:
    """Measure every ticket, round by round; most plans have one round."""
    tasks = [TicketTask(night=night, request=request) for request in requests]
    rounds = rounds_of(night.plan)
    night_wide: dict[Key, tuple[str, Outcome]] = {}
    measured = 0
    for number in range(max(rounds.values(), default=0) + 1):
        here = [step for step in night.plan.steps if rounds[step.name] == number]
        if any(step.scope is Scope.NIGHT for step in here) and not halt.is_stopped():
            task = NightTask(night=night, round=number, tickets=tasks, settled=night_wide)
            drive([task], runner, halt)
            measured += task.measured
        for ticket in tasks:
            ticket.begin_round(number, night_wide)
        if number == 0 or any(step.scope is not Scope.NIGHT for step in here):
            drive([task for task in tasks if not task.failure], runner, halt)
        if halt.is_stopped():
            break
    return NightReport(
        tickets=tuple(task.report for task in tasks if task.report is not None),
        night_wide=_report_night_wide([outcome for _, outcome in night_wide.values()], measured),
        failed=tuple(
            RefusedTicket(
                folder=escape(str(task.request.folder)), reason=task.failure, number=task.request.ticket.number
            )
            for task in tasks
            if task.failure
        ),
        unfinished=tuple(task.request.ticket.number for task in tasks if task.report is None and not task.failure),
    )


def _report_night_wide(outcomes: Sequence[Outcome], measured: int) -> TicketReport | None:
    if not outcomes:
        return None
    return TicketReport(
        number="", measured=measured, found=len(outcomes) - measured, refusals=report_outcomes(outcomes)
    )
