"""The night on which a shot was taken."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

EXIF_TIME = "%Y:%m:%d %H:%M:%S"
NIGHT_ENDS_HOURS = 5
"""In the morning: nobody's day at the bench begins earlier, and no evening ends later."""


def nights_of(captured_at: Iterable[str | None]) -> tuple[str, ...]:
    """The ISO dates of the nights that EXIF times lie in, in order; what is no time (all noughts) is passed over.

    What is shot after midnight belongs to the day before.
    """
    moments = [moment for text in captured_at if (moment := moment_of_exif(text))]
    return tuple(sorted({night_at(moment).isoformat() for moment in moments}))


def moment_of_exif(text: str | None) -> datetime | None:
    """Return an EXIF time, by the body's clock; None for what is no time."""
    try:
        return datetime.strptime(text[:19], EXIF_TIME) if text else None
    except ValueError:
        return None


def night_at(moment: datetime) -> date:
    """Return the night that a local time belongs to: that of the day that ends at five in the morning after it."""
    return (moment - timedelta(hours=NIGHT_ENDS_HOURS)).date()
