"""Measures each ticket as soon as its copy is complete, in runs like those of a night, with workers that stay."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from glasswright.errors import ConfigError, GlasswrightError, LedgerBusyError
from glasswright.intake.arrival import DropFolder
from glasswright.intake.tickets import NoTicketsError, RefusedTicket
from glasswright.ledger import Ledger
from glasswright.plain_text import escape
from glasswright.plugin.stage import Scope
from glasswright.run.early import look_at_shots
from glasswright.run.progress import NoDisplay
from glasswright.run.session import Session, find_requests, measure_requests
from glasswright.run.summary import Summary, summary_data

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from glasswright.config import Plan, StandFile
    from glasswright.intake.arrival import Arriving
    from glasswright.intake.index import TicketRequest
    from glasswright.judging.cards import CardFile
    from glasswright.plugin.roles import Role
    from glasswright.remote import AnyPath
    from glasswright.run.session import SessionResult
    from glasswright.run.workers.runners import Runner
    from glasswright.run.workers.stopping import Stop

BETWEEN_S: Final = 0.5
"""Time between two scans of the folder."""
REST: Final = 5.0
"""Pause after a scan, in units of its duration: a folder may be large or on a slow disk."""
TICKETS_AT_A_TIME: Final = 2
"""Number of tickets in one run, the latest first, so that the lens on the stand does not wait for old tickets."""
SHOTS_AT_A_TIME: Final = 4
"""Number of shots checked at once before their ticket is complete; the others wait for the next scan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Plan, stand and cards by which tickets are measured and judged."""

    plan: Plan
    stand: StandFile
    cards: Mapping[str, CardFile] | None
    packages: frozenset[str]
    roles: Mapping[str, Role]


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """The followed folder, and the callbacks for results."""

    tickets: Path
    ledger: Path
    quiet_s: float
    """Time without change after which a copy without SHA256SUMS is complete."""
    read: Callable[[], Work]
    """Reads the present plan, stand and cards."""
    say: Callable[[str], None]
    report: Callable[[Ledger, SessionResult, Mapping[str, float]], None]
    """Called with the open ledger, the results of a run, and ticket -> time of its last file (monotonic clock)."""


class NightStepsError(GlasswrightError):
    """A plan cannot be followed ticket by ticket."""

    exit_code = 2


class Follower:
    """Takes tickets one after another until it is stopped."""

    def __init__(self, desk: Desk, runner: Runner, stop: Stop) -> None:
        """Follow with running workers.

        Raises
        ------
        ConfigError
            If plan, stand or cards are wrong.
        """
        self._desk, self._runner, self._stop = desk, runner, stop
        self._drop = DropFolder(desk.tickets)
        self._work = desk.read()
        self._measured = _find_measured(desk.ledger, self._work)
        self._requests: Mapping[AnyPath, TicketRequest] = {}
        self._refused: Mapping[str, RefusedTicket] = {}
        self._known: Mapping[Path, object] | None = None
        self._refused_at: dict[Path, object] = {}
        self._looked_at: dict[Path, set[tuple[str, object]]] = {}
        self._waiting = ""
        self._backup_on: object = None
        self._slow_s = 0.0

    def follow(self) -> None:
        """Scan the folder repeatedly until a signal arrives."""
        while not self._stop.is_stopped():
            begun = time.monotonic()
            why = ""
            try:
                self._take_turn(begun)
            except (LedgerBusyError, ConfigError) as error:
                why = f"waiting: {error}"
            except OSError as error:
                why = f"waiting: {self._desk.tickets} cannot be read ({error.strerror or error})"
            if why and why != self._waiting:
                self._desk.say(why)
            self._waiting = why
            self._rest(max(BETWEEN_S, self._slow_s))

    def _rest(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while time.monotonic() < until and not self._stop.is_stopped():
            time.sleep(0.05)

    def _take_turn(self, now: float) -> None:
        """Measure complete tickets; if there are none, check some new shots."""
        looked = self._drop.look(now)
        self._slow_s = REST * (time.monotonic() - now)
        new = [each for each in looked if each.is_new and not self._was_measured(each)]
        seen = {each.folder: each.stamps for each in new}
        if seen != self._known:
            self._read_tickets()
            self._known = seen
        complete: list[Arriving] = []
        broken: list[RefusedTicket] = []
        for each in new:
            if len(complete) == TICKETS_AT_A_TIME:
                break
            request = self._requests.get(each.folder)
            why = each.why_incomplete(request, self._desk.quiet_s, now) if request else ""
            if request and not why:
                complete.append(each)
            elif now - each.changed_at >= self._desk.quiet_s and self._refused_at.get(each.folder) != each.stamps:
                self._refused_at[each.folder] = each.stamps
                broken += self._refuse(each, request, why)
        if complete or broken:
            self._run(complete, broken)
        else:
            self._look_at_shots(new, now)

    def _was_measured(self, arriving: Arriving) -> bool:
        """Return whether an earlier run measured the folder in its present state."""
        started = self._measured.get(escape(str(arriving.folder)))
        if arriving.taken is None and started is not None and arriving.last_change_ns < started.timestamp() * 1e9:
            arriving.taken = arriving.stamps
        return not arriving.is_new

    def _read_tickets(self) -> None:
        self._work = self._desk.read()
        try:
            requests, refused = find_requests(self._work.plan, self._work.roles, self._desk.tickets)
        except NoTicketsError:
            requests, refused = (), ()
        self._requests = {each.folder: each for each in requests}
        self._refused = {each.folder: each for each in refused}

    def _refuse(self, arriving: Arriving, request: TicketRequest | None, why: str) -> list[RefusedTicket]:
        """Refuse a folder that has not changed for long and cannot be measured as it is."""
        name = escape(str(arriving.folder))
        if request is not None:
            return [RefusedTicket(folder=name, reason=f"the copy is not complete: {why}", number=request.ticket.number)]
        return [self._refused[name]] if name in self._refused else []

    def _run(self, complete: Sequence[Arriving], broken: Sequence[RefusedTicket]) -> None:
        """Measure tickets as one run, and report the results."""
        begun = time.monotonic()
        stamps = {each.folder: each.stamps for each in complete}
        requests = [self._requests[each.folder] for each in complete]
        for request in requests:
            self._desk.say(f"{request.ticket.number}: the copy is complete, measuring")
        with Ledger.open_for_commits(self._desk.ledger) as ledger:
            work = self._work
            session = Session(
                plan=work.plan,
                stand=work.stand,
                cards=work.cards,
                packages=work.packages,
                ledger=ledger,
                roles=work.roles,
            )
            result = measure_requests(
                session, self._desk.tickets, requests, tuple(broken), NoDisplay(), self._stop, lambda: self._runner
            )
            summary = Summary(result=result, plugin_failures=(), seconds=time.monotonic() - begun)
            today = datetime.now(tz=UTC).date()
            ledger.end_run(result.run, summary_data(summary), backup=self._backup_on != today)
            self._backup_on = today
            arrived = {self._requests[each.folder].ticket.number: each.changed_at for each in complete}
            self._desk.report(ledger, result, arrived)
        for each in complete:
            if self._requests[each.folder].ticket.number not in result.night.unfinished:
                each.taken = stamps[each.folder]

    def _look_at_shots(self, new: Sequence[Arriving], now: float) -> None:
        """Check shots whose ticket is not complete yet, and report those to be repeated."""
        for each in new:
            request = self._requests.get(each.folder)
            if request is None:
                continue
            seen = self._looked_at.setdefault(each.folder, set())
            arrived = sorted(name for name in each.find_arrived(now) if "/" in name)
            waiting = [name for name in arrived if (name, each.stamps[name]) not in seen][:SHOTS_AT_A_TIME]
            if not waiting:
                continue
            seen.update((name, each.stamps[name]) for name in waiting)
            work = self._work
            found = look_at_shots(work.plan, work.stand, work.packages, request, waiting, self._runner, self._stop)
            for shot in found:
                self._desk.say(f"{request.ticket.number} {shot.what}: {shot.reason}")
            return


def refuse_night_steps(plan: Plan) -> None:
    """Refuse a plan with steps of a whole night, because single tickets do not supply their inputs.

    Raises
    ------
    NightStepsError
        If there are any; the message names them.
    """
    steps = [step.name for step in plan.steps if step.scope is Scope.NIGHT]
    if steps:
        names = ", ".join(f"`{name}`" for name in steps)
        raise NightStepsError(
            f"with --follow each ticket is measured alone, but {names} of this plan needs all tickets of a night: run "
            "the plan without --follow after the last ticket, or follow with a plan without "
            f"{'this step' if len(steps) == 1 else 'these steps'}"
        )


def _find_measured(ledger: Path, work: Work) -> Mapping[str, datetime]:
    """Return the start time of the run that measured each ticket folder by this plan and stand file."""
    if not ledger.exists():
        return {}
    with Ledger.open_for_reading(ledger) as opened:
        return {
            state.record.folder: datetime.fromisoformat(state.measured_at)
            for state in opened.latest_tickets(None, ())
            if not state.pending
            and (state.record.plan_sha256, state.record.stand_sha256) == (work.plan.sha256, work.stand.sha256)
        }
