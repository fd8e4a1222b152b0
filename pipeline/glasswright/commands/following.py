"""Output of `glasswright run --follow`: lines on the terminal and pages."""

from __future__ import annotations

import time
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import click

from glasswright.errors import GlasswrightError
from glasswright.intake.tickets import NoTicketsError
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger.runs import read_runs
from glasswright.processes import open_pool
from glasswright.run.follow import Desk, Follower, Work, refuse_night_steps
from glasswright.run.progress import paint
from glasswright.run.workers.stopping import Stop

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from concurrent.futures import Future, ProcessPoolExecutor
    from pathlib import Path

    from glasswright.config import Plan, StandFile
    from glasswright.config.schema.plugins import Plugins
    from glasswright.judging.cards import CardFile
    from glasswright.ledger import Ledger
    from glasswright.reports.pages.building import Built
    from glasswright.run.session import SessionResult
    from glasswright.run.workers.runners import Runner

MOST_REASONS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowOptions:
    """Options of the command."""

    tickets: Path
    ledger: Path
    quiet_s: float
    pages: Path | None


def follow_folder(
    options: FollowOptions,
    plugins: Plugins,
    read: Callable[[], tuple[Plan, StandFile, Mapping[str, CardFile] | None]],
    runner: Runner,
) -> int:
    """Follow a folder until a signal comes; return 0.

    Raises
    ------
    NoTicketsError
        If there is no such folder.
    NightStepsError
        If the plan has steps of a whole night.
    """
    if not options.tickets.is_dir():
        raise NoTicketsError(f"{options.tickets}: there is no such folder: make it, or correct --tickets")

    def read_work() -> Work:
        plan, stand, cards = read()
        refuse_night_steps(plan)
        return Work(plan=plan, stand=stand, cards=cards, packages=plugins.packages, roles=plugins.roles)

    with ExitStack() as stack:
        stop = stack.enter_context(Stop())
        reporter = _Reporter(options, plugins, stack)
        desk = Desk(
            tickets=options.tickets,
            ledger=options.ledger,
            quiet_s=options.quiet_s,
            read=read_work,
            say=say,
            report=reporter.report,
        )
        read_work()  # mistakes end the command here, before workers start
        follower = Follower(desk, stack.enter_context(runner), stop)
        say(f"following {options.tickets}; Ctrl-C or SIGTERM ends it")
        follower.follow()
        say(f"stopped by {stop.by}: what was measured is in the ledger; start again to go on")
    return 0


def say(text: str) -> None:
    """Print a line with the time."""
    click.echo(f"{datetime.now().astimezone():%H:%M:%S} {text}")


class _Reporter:
    """Prints the result of each ticket, and has its page drawn by a separate process."""

    def __init__(self, options: FollowOptions, plugins: Plugins, stack: ExitStack) -> None:
        self._options, self._plugins = options, plugins
        self._pool: ProcessPoolExecutor | None = stack.enter_context(open_pool(1)) if options.pages else None

    def report(self, ledger: Ledger, result: SessionResult, arrived: Mapping[str, float]) -> None:
        """Print the results of a run, and update the day's pages."""
        for refused in (*result.refused, *result.night.failed):
            say(f"{refused.number or refused.folder}: {paint('INCOMPLETE')}  {refused.reason}")
        keeper = Gatekeeper(ledger)
        for ticket in result.night.tickets:
            gated = keeper.gate(ticket.number)
            decision = gated.decision if gated else None
            seconds = time.monotonic() - arrived.get(ticket.number, time.monotonic())
            say(f"{ticket.number}: {decision or 'measured'}, {seconds:.0f} s after its last file")
            reasons = decision.reasons if decision else ()
            for reason in reasons[:MOST_REASONS]:
                click.echo(f"         - {self._plugins.field_names.make_readable(reason)}")
            if len(reasons) > MOST_REASONS:
                more = len(reasons) - MOST_REASONS
                click.echo(
                    f"         and {more} more: glasswright gate {ticket.number} --ledger {self._options.ledger}"
                )
        if self._pool is not None and self._options.pages is not None and result.night.tickets:
            self._draw(self._pool, self._options.pages, ledger, result)

    def _draw(self, pool: ProcessPoolExecutor, out: Path, ledger: Ledger, result: SessionResult) -> None:
        from glasswright.reports.pages.building import build_pages

        today = datetime.now().astimezone().date().isoformat()
        nights = tuple(run.number for run in read_runs(ledger) if run.tickets and run.started_at.startswith(today))
        future = pool.submit(
            build_pages,
            self._options.ledger,
            out,
            nights=nights,
            tickets=self._options.tickets,
            workers=1,
            drawn=tuple(report.number for report in result.night.tickets),
        )
        future.add_done_callback(_tell_pages)


def _tell_pages(done: Future[Built]) -> None:
    error = done.exception()
    if isinstance(error, GlasswrightError):
        say(f"the pages could not be written: {error}")
    elif error is not None:
        say(f"the pages could not be written: {type(error).__name__}: {error}")
    else:
        say(f"pages: {done.result().night}")
