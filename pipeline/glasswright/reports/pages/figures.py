"""The drawings of a ticket, made by plugins from its results, by setting."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any, Final

from glasswright.errors import LedgerDamagedError
from glasswright.ledger.verdict import Verdict
from glasswright.reports.artefacts import load_known
from glasswright.reports.pages.formats import format_step
from glasswright.reports.pages.places import SETTINGS
from glasswright.reports.pages.sweep import settings_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from glasswright.config.schema.plugins import Plugins
    from glasswright.ledger import Ledger, TicketState
    from glasswright.ledger.records import KeptOutcome
    from glasswright.ledger.verdict import Judgement
    from glasswright.plugin.artefact import Artefact, Setting
    from glasswright.plugin.drawing import Picture

MOST_LETTERS: Final = 500_000
"""Most characters of all settings' drawings on the ticket's page, to keep it under a megabyte."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One drawing and its step."""

    step: str
    picture: Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The drawings of one setting, or of the whole ticket (empty setting)."""

    setting: str
    figures: tuple[Figure, ...]
    faults: tuple[str, ...]
    """Messages of drawings that failed."""
    hints: tuple[str, ...] = ()
    """Hints on where to look first."""
    absent: tuple[str, ...] = ()
    """Steps whose results belong to a package that is not installed, so that they cannot be drawn."""
    page: str = ""
    """Their separate page, relative to the folder of pages; empty if they are on the ticket's page."""


def draw_figures(ledger: Ledger, state: TicketState, plugins: Plugins, steps: Sequence[str]) -> tuple[Figures, ...]:
    """Return all drawings that plugins can make of a ticket's results.

    Parameters
    ----------
    steps
        The plan's steps in order.
    """
    place = {step: index for index, step in enumerate(steps)}
    kept = sorted(
        (each for each in state.outcomes if each.has_artefact),
        key=lambda each: (place.get(each.step, len(place)), each.step, each.shot),
    )
    settings: list[Setting | None] = [*settings_of(kept), None]
    drawn = (_draw_setting(ledger, plugins, setting, [e for e in kept if e.setting == setting]) for setting in settings)
    return tuple(each for each in drawn if each.figures or each.faults or each.absent or each.hints)


def _draw_setting(ledger: Ledger, plugins: Plugins, setting: Setting | None, kept: Iterable[KeptOutcome]) -> Figures:
    figures: list[Figure] = []
    faults: list[str] = []
    absent: list[str] = []
    hints: list[str] = []
    by_step: dict[str, list[Artefact]] = {}
    for each in kept:
        try:
            artefact = load_known(ledger, each.address)
        except LedgerDamagedError as error:
            faults.append(f"{each.step}: {error}")
            continue
        if artefact is None:
            absent.append(format_step(each.step))
        else:
            by_step.setdefault(each.step, []).append(artefact)
    for step, members in by_step.items():
        kind = type(members[0])
        if kind in plugins.drawings.hints:
            hints += [hint for member in members for hint in plugins.drawings.hints[kind](member)]
        calls: list[tuple[Callable[[Any], Sequence[Picture]], Any]] = []
        if kind in plugins.drawings.series:
            calls.append((plugins.drawings.series[kind], tuple(members)))
        if kind in plugins.drawings.one:
            calls += [(plugins.drawings.one[kind], member) for member in members]
        for draw, what in calls:
            try:
                figures += [Figure(step=format_step(step), picture=picture) for picture in draw(what)]
            except Exception as error:  # a drawing that fails must not prevent the page
                faults.append(f"{step}: {type(error).__name__}: {error}")
    return Figures(
        setting=str(setting) if setting else "",
        figures=tuple(figures),
        faults=tuple(faults),
        absent=tuple(absent),
        hints=tuple(hints),
    )


MOST_LEADING: Final = 2


def choose_leading(groups: Sequence[Figures], judgement: Judgement | None, leading: Mapping[str, str]) -> list[Figure]:
    """Return the drawings that best show what is wrong: those for the worst missed limits.

    Parameters
    ----------
    leading
        Step -> beginning of the title of its leading drawing.
    """
    wrong = [
        each for each in (judgement.verdicts if judgement else ()) if each.verdict in (Verdict.FAIL, Verdict.REVIEW)
    ]
    chosen: list[Figure] = []
    steps: set[str] = set()
    for each in sorted(wrong, key=lambda each: each.verdict is not Verdict.FAIL):
        step = each.measure.partition(".")[0]
        title = leading.get(step) if step not in steps else None
        found = [figure for group in groups if group.setting in (each.at, "") for figure in group.figures]
        fitting = [figure for figure in found if title and figure.picture.title.startswith(title)]
        if fitting:
            chosen.append(fitting[0])
            steps.add(step)
    return chosen[:MOST_LEADING]


def part_figures(figures: Sequence[Figures], ticket_page: str) -> tuple[Figures, ...]:
    """Return the drawings with a separate page for each setting, if all of them together are too large.

    Drawings of the whole ticket stay on its page.

    Parameters
    ----------
    ticket_page
        The ticket's page, relative to the folder of pages; pages of its settings are named after it.
    """
    weight = sum(len(each.picture.svg) for group in figures if group.setting for each in group.figures)
    if weight <= MOST_LETTERS:
        return tuple(figures)
    stem = PurePosixPath(ticket_page).stem
    return tuple(
        replace(group, page=f"{SETTINGS}/{stem}.{number}.html") if group.setting else group
        for number, group in enumerate(figures, start=1)
    )
