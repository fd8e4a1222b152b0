"""Which night a shot was taken on."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

EXIF_TIME = "%Y:%m:%d %H:%M:%S"
NIGHT_ENDS_HOURS = 5
"""In the morning: nobody's day at the bench begins earlier, and no evening ends later."""


def nights_of(captured_at: Iterable[str | None]) -> tuple[str, ...]:
    """Give the ISO dates of the nights that EXIF times lie in, in order; what is no time (all noughts) is passed over.

    What is shot after midnight belongs to the day before.
    """
    nights = {night for text in captured_at if text and (night := _night_of_exif(text))}
    return tuple(sorted(night.isoformat() for night in nights))


def _night_of_exif(text: str) -> date | None:
    try:
        return night_at(datetime.strptime(text[:19], EXIF_TIME))
    except ValueError:
        return None


def night_at(moment: datetime) -> date:
    """Give the night that a local time belongs to: that of the day that ends at five in the morning after it."""
    return (moment - timedelta(hours=NIGHT_ENDS_HOURS)).date()
