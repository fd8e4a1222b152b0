"""Builds the folder of pages: the night's page in this process, those of tickets in several."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from glasswright.config.schema.plugins import Plugins, load_plugins
from glasswright.errors import GlasswrightError
from glasswright.judging.gatekeeper import Gatekeeper
from glasswright.ledger import Ledger
from glasswright.ledger.returned import latest_returned
from glasswright.ledger.runs import read_runs, read_step_times
from glasswright.outputs import make_folder
from glasswright.processes import open_pool
from glasswright.reports.matrix import make_matrix
from glasswright.reports.pages.before_after import choose_before
from glasswright.reports.pages.figures import part_figures
from glasswright.reports.pages.frames import draw_frames
from glasswright.reports.pages.matrix_table import lay_matrix
from glasswright.reports.pages.model_page import describe_model
from glasswright.reports.pages.night_page import describe_night
from glasswright.reports.pages.places import ASSETS, NIGHT, Places
from glasswright.reports.pages.stand_page import describe_stand, read_health
from glasswright.reports.pages.ticket_page import describe_runs, describe_ticket
from glasswright.reports.pages.triage import read_triages, triage_of
from glasswright.reports.pages.writing import copy_assets, fill, write_page
from glasswright.reports.record.plain import find_hints
from glasswright.waiting import watch_progress

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from glasswright.judging.gatekeeper import Gated
    from glasswright.ledger.runs import Run
    from glasswright.reports.matrix import Matrix
    from glasswright.reports.pages.triage import Triage

HOME_OF_TICKET: Final = "../"


class NoNightError(GlasswrightError):
    """The ledger does not contain the requested night."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Input of a worker for one ticket's page."""

    ledger: Path
    out: Path
    ticket: str
    content: str
    """Hash of the ticket's measurements when the night's page was written."""
    folder: Path | None
    """Folder of its raw files."""
    same_lens: tuple[str, ...]
    """All tickets of the same lens."""
    places: Places


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """The result of building the pages."""

    night: Path
    tickets: int
    pages: int
    faults: int
    """Number of drawings that failed; their pages say why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """The result of writing one ticket's pages."""

    pages: int
    """Number of pages: its own, and those of its settings."""
    faults: int
    """Number of drawings that failed."""
    hint: str = ""
    """Where to look first."""


def choose_night(runs: Sequence[Run], number: int | None) -> tuple[Run, ...]:
    """Return the runs of a night: the requested (or latest) one that measured, and killed ones just before it.

    Raises
    ------
    NoNightError
        If there is no such run.
    """
    measured = [run for run in runs if run.tickets]
    if not measured:
        raise NoNightError("the ledger contains no ticket: measure a night with `glasswright run` first")
    numbers = [run.number for run in measured]
    if number is not None and number not in numbers:
        known = ", ".join(map(str, numbers[-8:]))
        raise NoNightError(f"run {number} measured no ticket: choose --night from {known}")
    place = numbers.index(number) if number is not None else len(numbers) - 1
    chosen = [measured[place]]
    while place > 0 and not measured[place - 1].completed:
        place -= 1
        chosen.insert(0, measured[place])
    return tuple(chosen)


def build_pages(
    ledger: Path,
    out: Path,
    *,
    nights: Sequence[int],
    tickets: Path | None,
    workers: int,
    drawn: Collection[str] | None = None,
) -> Built:
    """Write the pages of a night, its tickets, and every lens model and stand of the ledger.

    Parameters
    ----------
    nights
        Numbers of the runs to show together; empty for the latest one that measured.
    tickets
        Folder of ticket folders with the raw files, for thumbnails of the frames; None for no thumbnails.
    workers
        Number of processes that draw tickets' pages; 1 draws them in this process.
    drawn
        Tickets whose pages are drawn; existing pages of other tickets stay. None for all.
    """
    with Ledger.open_for_reading(ledger) as opened:
        runs = read_runs(opened)
        by_number = {run.number: run for night in nights or (None,) for run in choose_night(runs, night)}
        chosen = tuple(by_number.values())
        make_folder(out)
        every = read_triages(opened)
        of_night = {ticket for run in chosen for ticket in run.tickets}
        triages = [each for each in every if each.number in of_night]
        places = Places.of(
            [each.number for each in triages],
            dict.fromkeys(each.state.record.ticket.model for each in every),
            dict.fromkeys(each.state.record.stand for each in every),
        )
        copy_assets(out / ASSETS)
    lenses = defaultdict(list)
    for each in every:
        lenses[each.state.record.ticket.model, each.state.record.ticket.serial].append(each.number)
    jobs = [
        Job(
            ledger=ledger,
            out=out,
            ticket=each.number,
            content=each.state.content,
            folder=tickets / Path(each.state.record.folder).name if tickets else None,
            same_lens=tuple(lenses[each.state.record.ticket.model, each.state.record.ticket.serial]),
            places=places,
        )
        for each in triages
        if drawn is None or each.number in drawn or not (out / places.tickets[each.number]).exists()
    ]
    made = _run_jobs(jobs, workers)
    hints = {each.ticket: made_one.hint for each, made_one in zip(jobs, made, strict=True)}
    with Ledger.open_for_reading(ledger) as opened:
        hints |= {
            each.number: "; ".join(find_hints(opened, each.state)[:1]) for each in triages if each.number not in hints
        }
        pages = _write_shared(opened, out, places, chosen, every, triages, hints)
    return Built(
        night=out / NIGHT,
        tickets=len(jobs),
        pages=pages + sum(each.pages for each in made),
        faults=sum(each.faults for each in made),
    )


def _write_shared(
    ledger: Ledger,
    out: Path,
    places: Places,
    runs: Sequence[Run],
    every: Sequence[Triage],
    triages: Sequence[Triage],
    hints: Mapping[str, str],
) -> int:
    """Write the pages of the night, the models and the stands; return their number."""
    head = str(ledger.head())
    by_stand: dict[str, list[Triage]] = defaultdict(list)
    by_model: dict[str, list[Triage]] = defaultdict(list)
    for each in every:
        by_stand[each.state.record.stand].append(each)
        by_model[each.state.record.ticket.model].append(each)
    of_night: dict[str, list[Triage]] = defaultdict(list)
    for each in triages:
        of_night[each.state.record.stand].append(each)
    healths = [read_health(ledger, stand, members) for stand, members in of_night.items()]
    times = read_step_times(ledger, [run.number for run in runs])

    def write(file: str, template: str, home: str, context: dict[str, Any]) -> None:
        _write(out, places, file, template, home, {**context, "head": head})

    write(NIGHT, "night.html", "", describe_night(runs, triages, times, healths, hints))
    returned = latest_returned(ledger)
    for model, members in by_model.items():
        write(places.models[model], "model.html", "../", describe_model(model, members, returned))
    for stand, members in by_stand.items():
        write(places.stands[stand], "stand.html", "../", describe_stand(ledger, stand, members))
    return 1 + len(by_model) + len(by_stand)


def _write(out: Path, places: Places, file: str, template: str, home: str, context: dict[str, Any]) -> None:
    page = fill(template, {**context, "home": home, "places": places})
    write_page(out / file, page.encode())


def _run_jobs(jobs: Sequence[Job], workers: int) -> list[Made]:
    if workers <= 1 or len(jobs) < 2:
        return list(map(build_ticket, watch_progress(jobs, len(jobs), "drawing tickets")))
    with open_pool(min(workers, len(jobs))) as pool:
        made = pool.map(build_ticket, jobs, chunksize=max(1, len(jobs) // (8 * workers)))
        return list(watch_progress(made, len(jobs), "drawing tickets"))


def write_side_by_side(file: Path, sides: Sequence[Gated], matrix: Matrix, head: str) -> None:
    """Write the matrix of several tickets as one page, with the style sheet in a folder beside it."""
    make_folder(file.parent)
    copy_assets(file.parent / ASSETS)
    context = {"table": lay_matrix(matrix), "triages": list(map(triage_of, sides)), "head": head, "home": ""}
    write_page(file, fill("matrix.html", context).encode())


@cache
def _plugins() -> Plugins:
    return load_plugins()


def build_ticket(job: Job) -> Made:
    """Write one ticket's page, and those of its settings if the drawings are too large for one page.

    Raises
    ------
    NoNightError
        If the ticket was measured again since the night's page was written.
    LedgerDamagedError
        If anything that the page depends on is damaged.
    """
    with Ledger.open_for_reading(job.ledger) as ledger:
        ledger.check_artefacts(job.ticket)
        gated = Gatekeeper(ledger).gate(job.ticket, measures=None)
        if gated is None or gated.state.content != job.content:
            raise NoNightError(
                f"ticket {job.ticket} was measured again in the meantime: build the pages when the run is over"
            )
        frames = draw_frames(ledger, gated.state, _plugins(), job.folder, job.out)
        visits = read_triages(ledger, job.same_lens)
        context = describe_ticket(ledger, triage_of(gated), _plugins(), frames, visits)
        before = choose_before(triage_of(gated), visits)
        earlier = Gatekeeper(ledger).gate(before.number, measures=None) if before else None
        context["matrix"] = lay_matrix(make_matrix([gated, earlier] if earlier else [gated]))
        context["head"] = str(ledger.head())
        context["runs"] = describe_runs(read_runs(ledger), job.ticket)
    page = job.places.tickets[job.ticket]
    figures = part_figures(context["figures"], page)
    context["figures"] = figures
    _write(job.out, job.places, page, "ticket.html", HOME_OF_TICKET, context)
    parted = [group for group in figures if group.page]
    for group in parted:
        _write(job.out, job.places, group.page, "setting.html", HOME_OF_TICKET, {**context, "group": group})
    return Made(
        pages=1 + len(parted),
        faults=sum(len(group.faults) for group in figures),
        hint="; ".join(context["hints"][:1]),
    )
