"""Separate pages for the drawings of each setting, if they are too large for the ticket's page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Final

from glasswright.reports.pages.places import SETTINGS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.reports.pages.figures import Figures

MOST_LETTERS: Final = 500_000
"""Most characters of all settings' drawings on the ticket's page, to keep it under a megabyte."""


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
