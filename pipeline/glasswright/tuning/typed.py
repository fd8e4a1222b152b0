"""Limits entered by hand: `stage.field=min:0.27`, or `stage.field@f_number=4=min:0.27` for one of several."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.config import did_you_mean
from glasswright.errors import GlasswrightError
from glasswright.judging.card import At, Limit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright.judging.card import Card
    from glasswright.tuning.sides import End

FORM = "write `stage.field=min:0.27`, or `stage.field@f_number=4=min:0.27` for the limit at one setting"


class TypedLimitError(GlasswrightError):
    """A limit on the command line that cannot be read, or that matches no limit of the card or several."""

    exit_code = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedLimit:
    """One number entered by hand, and the limit of the card that it replaces."""

    place: int
    end: End
    number: float


def read_typed(text: str, card: Card) -> TypedLimit:
    """Return a limit entered by hand.

    Raises
    ------
    TypedLimitError
        If it has another form, or if the card has no such limit, or several.
    """
    target, _, bound = text.rpartition("=")
    end, _, number_text = bound.partition(":")
    measure, _, where = target.partition("@")
    number = _read_number(number_text)
    if not measure or end not in ("min", "max") or number is None:
        raise TypedLimitError(f"--limit {text}: is not a limit: {FORM}")
    if all(limit.measure != measure for limit in card.limits):
        known = did_you_mean(measure, {limit.measure for limit in card.limits})
        raise TypedLimitError(f"--limit {text}: the card for `{card.card}` has no limit on `{measure}`; {known}")
    places = [
        place
        for place, limit in enumerate(card.limits)
        if limit.measure == measure and (not where or _matches(where, limit.at, text))
    ]
    if len(places) != 1:
        raise TypedLimitError(f"--limit {text}: {_format_places(card, measure, places)}")
    return TypedLimit(place=places[0], end="min" if end == "min" else "max", number=number)


def apply_typed(card: Card, typed: Iterable[TypedLimit]) -> Card:
    """Return the card with the numbers entered by hand.

    Raises
    ------
    TypedLimitError
        If a lower limit would then be above its upper one.
    """
    limits = list(card.limits)
    for each in typed:
        limits[each.place] = with_number(limits[each.place], each.end, each.number)
    return card.model_copy(update={"limits": tuple(limits)})


def with_number(limit: Limit, end: End, number: float) -> Limit:
    """Return a limit with a new number on one side."""
    low, high = (number if end == "min" else limit.min), (number if end == "max" else limit.max)
    if low is not None and high is not None and low > high:
        message = f"{limit.measure}: `min` {low:g} would be above `max` {high:g}: no value could meet both"
        raise TypedLimitError(message)
    below, above = limit.must_hold_below, limit.must_hold_above
    if (end == "min" and below is not None and number < below) or (
        end == "max" and above is not None and number > above
    ):
        must = below if end == "min" else above
        raise TypedLimitError(
            f"{limit.measure}: the card says that a lens with {must:g} must be held: {number:g} is laxer"
        )
    return limit.model_copy(update={end: number})


def _read_number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _matches(where: str, at: At, text: str) -> bool:
    """Return whether a limit's settings match a text: `f_number=4,focal_length_mm=24`."""
    wanted: dict[str, float] = {}
    for part in where.split(","):
        name, _, value = part.partition("=")
        number = _read_number(value)
        if name not in At.model_fields or number is None:
            known = did_you_mean(name, At.model_fields)
            raise TypedLimitError(f"--limit {text}: `{part}` names no setting; {known}; example: `f_number=4`")
        wanted[name] = number
    return all(_is_at(getattr(at, name), number) for name, number in wanted.items())


def _is_at(place: float | tuple[float, float] | None, number: float) -> bool:
    if place is None:
        return False
    low, high = place if isinstance(place, tuple) else (place, place)
    return low <= number <= high


def _format_places(card: Card, measure: str, places: list[int]) -> str:
    named = [str(limit.at) for limit in card.limits if limit.measure == measure]
    if not places:
        return f"the card limits `{measure}` only at {', '.join(named)}"
    return f"the card has {len(places)} limits on `{measure}` ({', '.join(named)}): {FORM}"
