"""The drawings of a ticket: what plugins draw of its results, setting by setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from glasswright.errors import LedgerDamagedError
from glasswright.reports.pages.formats import format_step
from glasswright.reports.pages.sweep import settings_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from glasswright.config.schema.plugins import Plugins
    from glasswright.ledger import Ledger, TicketState
    from glasswright.ledger.records import KeptOutcome
    from glasswright.plugin.artefact import Artefact, Setting
    from glasswright.plugin.drawing import Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One drawing, and the step whose result it shows."""

    step: str
    picture: Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The drawings of one setting, or of the whole ticket (empty setting)."""

    setting: str
    figures: tuple[Figure, ...]
    faults: tuple[str, ...]
    """Drawings that could not be made, and why."""
    page: str = ""
    """Page of their own that they stand on, relative to the folder of pages; empty for the ticket's own."""


def draw_figures(ledger: Ledger, state: TicketState, plugins: Plugins, steps: Sequence[str]) -> tuple[Figures, ...]:
    """Draw all that plugins can draw of a ticket's results.

    Parameters
    ----------
    steps
        The plan's steps in their order.
    """
    place = {step: index for index, step in enumerate(steps)}
    kept = sorted(
        (each for each in state.outcomes if each.has_artefact),
        key=lambda each: (place.get(each.step, len(place)), each.step, each.shot),
    )
    settings: list[Setting | None] = [*settings_of(kept), None]
    drawn = (_draw_setting(ledger, plugins, setting, [e for e in kept if e.setting == setting]) for setting in settings)
    return tuple(each for each in drawn if each.figures or each.faults)


def _draw_setting(ledger: Ledger, plugins: Plugins, setting: Setting | None, kept: Iterable[KeptOutcome]) -> Figures:
    figures: list[Figure] = []
    faults: list[str] = []
    by_step: dict[str, list[Artefact]] = {}
    for each in kept:
        try:
            by_step.setdefault(each.step, []).append(ledger.load_artefact(each.address))
        except LedgerDamagedError as error:
            faults.append(f"{each.step}: {error}")
    for step, members in ((step, members) for step, members in by_step.items() if members):
        kind = type(members[0])
        calls: list[tuple[Callable[[Any], Sequence[Picture]], Any]] = []
        if kind in plugins.drawings.series:
            calls.append((plugins.drawings.series[kind], tuple(members)))
        if kind in plugins.drawings.one:
            calls += [(plugins.drawings.one[kind], member) for member in members]
        for draw, what in calls:
            try:
                figures += [Figure(step=format_step(step), picture=picture) for picture in draw(what)]
            except Exception as error:  # a drawing that fails costs itself, not the page
                faults.append(f"{step}: {type(error).__name__}: {error}")
    return Figures(setting=str(setting) if setting else "", figures=tuple(figures), faults=tuple(faults))
