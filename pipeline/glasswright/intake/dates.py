"""The night on which a shot was taken."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

EXIF_TIME = "%Y:%m:%d %H:%M:%S"
NIGHT_ENDS_HOURS = 5
"""Hour of the morning at which a night ends: work at the bench neither begins earlier nor ends later."""


def nights_of(captured_at: Iterable[str | None]) -> tuple[str, ...]:
    """Return the ISO dates of the nights of EXIF times, sorted; invalid times (all zeros) are ignored.

    Shots after midnight belong to the previous day.
    """
    moments = [moment for text in captured_at if (moment := moment_of_exif(text))]
    return tuple(sorted({night_at(moment).isoformat() for moment in moments}))


def moment_of_exif(text: str | None) -> datetime | None:
    """Return an EXIF time, by the body's clock; None if it is invalid."""
    try:
        return datetime.strptime(text[:19], EXIF_TIME) if text else None
    except ValueError:
        return None


def night_at(moment: datetime) -> date:
    """Return the night of a local time; a day lasts until five o'clock the next morning."""
    return (moment - timedelta(hours=NIGHT_ENDS_HOURS)).date()
