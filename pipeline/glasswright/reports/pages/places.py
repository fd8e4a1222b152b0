"""Paths of the pages in their folder."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.reports.pages.formats import name_pages

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

NIGHT = "index.html"
ASSETS = "assets"
FRAMES = "frames"
SETTINGS = "settings"


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Paths of pages, relative to the folder of pages."""

    tickets: Mapping[str, str]
    """By number; only tickets with a page."""
    models: Mapping[str, str]
    stands: Mapping[str, str]

    @classmethod
    def of(cls, tickets: Iterable[str], models: Iterable[str], stands: Iterable[str]) -> Places:
        """Return the paths for tickets, lens models and stands."""
        return cls(
            tickets={name: f"tickets/{file}" for name, file in name_pages(tickets).items()},
            models={name: f"models/{file}" for name, file in name_pages(models).items()},
            stands={name: f"stands/{file}" for name, file in name_pages(stands).items()},
        )
