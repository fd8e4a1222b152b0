"""Which night a shot was taken on."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

EXIF_TIME = "%Y:%m:%d %H:%M:%S"
NIGHT_ENDS_HOURS = 12


def nights_of(captured_at: Iterable[str | None]) -> tuple[str, ...]:
    """Give the ISO dates of the nights that EXIF times lie in, in order; what is no time (all noughts) is passed over.

    What is shot after midnight belongs to the evening before.
    """
    nights = {night for text in captured_at if text and (night := _night_of_exif(text))}
    return tuple(sorted(night.isoformat() for night in nights))


def _night_of_exif(text: str) -> date | None:
    try:
        return night_at(datetime.strptime(text[:19], EXIF_TIME))
    except ValueError:
        return None


def night_at(moment: datetime) -> date:
    """Give the night that a local time belongs to: it begins at noon and is named after the day it begins on."""
    return (moment - timedelta(hours=NIGHT_ENDS_HOURS)).date()
