"""One run of a night: measures the tickets, writes the ledger, judges, and shows the progress."""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.intake.folder import count_shots
from glasswright.intake.shot_setting import Nominal
from glasswright.intake.tickets import find_folders, find_tickets
from glasswright.intake.unreadable import find_tickets_of
from glasswright.judging.rejudge import judge_tickets
from glasswright.ledger import Document, RunRecord, describe_run
from glasswright.ledger.documents import plan_documents, stand_documents
from glasswright.ledger.verdict import Verdict
from glasswright.plain_text import escape
from glasswright.run.graph.addresses import numeric_versions
from glasswright.run.graph.lineage import roles_by_setting, roles_of_plan
from glasswright.run.night import measure_night, prepare_night
from glasswright.run.progress import BarDisplay, NoDisplay, PlainDisplay, Tally
from glasswright.run.workers.stopping import Stop

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from glasswright.config import Plan, StandFile
    from glasswright.intake.index import TicketRequest
    from glasswright.intake.tickets import RefusedTicket
    from glasswright.judging.cards import CardFile
    from glasswright.ledger import Ledger
    from glasswright.ledger.verdict import Judgement
    from glasswright.plugin.roles import Role
    from glasswright.remote import AnyPath
    from glasswright.run.night import NightReport
    from glasswright.run.progress import Display
    from glasswright.run.workers.runners import Runner


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """The checked inputs of a night."""

    plan: Plan
    stand: StandFile
    cards: Mapping[str, CardFile] | None
    """By lens model; None if nothing is to be judged."""
    packages: frozenset[str]
    """Top-level packages of all plugins."""
    ledger: Ledger
    retry: bool = False
    roles: Mapping[str, Role]
    """Roles that plugins declare."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionResult:
    """The results of a session, and the tickets that it refused."""

    run: int
    night: NightReport
    refused: tuple[RefusedTicket, ...]
    stopped_by: str


def hold_session(session: Session, tickets: AnyPath, runner: Runner, *, quiet: bool) -> SessionResult:
    """Measure the tickets in a folder, commit each to the ledger when it is complete, and judge them.

    Raises
    ------
    NoTicketsError
        If there are no tickets.
    """
    requests, refused = find_requests(session.plan, session.roles, tickets)
    with ExitStack() as stack:
        stop = stack.enter_context(Stop())
        display = stack.enter_context(_display(requests, roles_of_plan(session.plan), quiet=quiet))
        return measure_requests(session, tickets, requests, refused, display, stop, lambda: stack.enter_context(runner))


def find_requests(
    plan: Plan, roles: Mapping[str, Role], tickets: AnyPath
) -> tuple[tuple[TicketRequest, ...], tuple[RefusedTicket, ...]]:
    """Read the ticket files of a folder as `find_tickets` does, for a plan."""
    nominal = Nominal.of_plan(plan)
    return find_tickets(tickets, nominal, roles, roles_by_setting(plan))


def measure_requests(
    session: Session,
    tickets: AnyPath,
    requests: Sequence[TicketRequest],
    refused: tuple[RefusedTicket, ...],
    display: Display,
    stop: Stop,
    start: Callable[[], Runner],
) -> SessionResult:
    """Measure some tickets of a folder as one run of the ledger, and judge them.

    Parameters
    ----------
    tickets
        The folder that holds them.
    requests, refused
        Those to measure, and those that could not be taken in.
    display
        Is told how it gets on.
    stop
        Listens for signals.
    start
        Starts the workers, or gives those that run.
    """
    run = session.ledger.begin_run(_record(session))
    _refuse(session, run, tickets, refused)
    night = prepare_night(
        session.plan,
        session.stand,
        session.packages,
        session.ledger,
        run,
        display,
        lambda number: _judge(session, run, number),
        retry=session.retry,
    )
    report = measure_night(night, requests, start(), stop)
    session.ledger.stop_tickets(run, report.unfinished)
    report = _judge_watched(session, run, report)
    return SessionResult(run=run, night=report, refused=refused, stopped_by=stop.by)


def _refuse(session: Session, run: int, tickets: AnyPath, refused: Sequence[RefusedTicket]) -> None:
    """Record the refused tickets before anything is measured, so that a run that dies later does not hide them."""
    folders = {escape(str(folder)): folder for folder in find_folders(tickets)}
    for each in refused:
        folder = folders[each.folder]
        numbers = [each.number] if each.number else find_tickets_of(session.ledger, folder, session.roles)
        session.ledger.refuse_tickets(run, numbers, each.folder, each.reason)


def _judge(session: Session, run: int, number: str) -> tuple[str, tuple[str, ...]]:
    """Judge one ticket by its current state in the ledger, and keep the judgement.

    On a watched stand this waits until all tickets are measured, because the reference shots may come after this one.
    """
    if session.cards is None or session.stand.watch is not None:
        return "", ()
    judgements = judge_tickets(session.ledger, session.cards, session.stand, [number])
    session.ledger.add_judgements(run, session.ledger.choose_new_judgements(judgements))
    return _summarise(judgements[0])


def _summarise(judgement: Judgement) -> tuple[str, tuple[str, ...]]:
    reasons = [
        f"{each.measure} at {each.at}: {each.verdict}, {each.reason}"
        for each in judgement.verdicts
        if each.verdict not in (Verdict.PASS, Verdict.NOT_APPLICABLE)
    ]
    return str(judgement.verdict), (*judgement.reasons, *reasons)


def _judge_watched(session: Session, run: int, report: NightReport) -> NightReport:
    """Judge every ticket of a watched stand once the whole night is measured, and keep the judgements."""
    if session.cards is None or session.stand.watch is None:
        return report
    numbers = [ticket.number for ticket in report.tickets]
    judgements = judge_tickets(session.ledger, session.cards, session.stand, numbers)
    session.ledger.add_judgements(run, session.ledger.choose_new_judgements(judgements))
    summaries = {judgement.ticket: _summarise(judgement) for judgement in judgements}
    tickets = [
        replace(ticket, verdict=summaries[ticket.number][0], verdict_reasons=summaries[ticket.number][1])
        for ticket in report.tickets
    ]
    return replace(report, tickets=tuple(tickets))


def _display(requests: Sequence[TicketRequest], roles: frozenset[str], *, quiet: bool) -> Display:
    if quiet:
        return NoDisplay()
    # workers list remote folders
    local = [request.folder for request in requests if isinstance(request.folder, Path)]
    tally = Tally(len(requests), sum(count_shots(folder, roles) for folder in local))
    return BarDisplay(tally) if sys.stderr.isatty() and os.environ.get("TERM") != "dumb" else PlainDisplay(tally)


def _record(session: Session) -> RunRecord:
    plan, stand = session.plan, session.stand
    documents = [*plan_documents(plan)]
    documents += stand_documents(stand)
    documents += [
        Document(kind="card", name=name, text=file.document.text, sha256=file.sha256)
        for name, file in (session.cards or {}).items()
    ]
    return describe_run(tuple(documents), numeric_versions())
