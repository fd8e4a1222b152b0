"""The stand file's section `constants`: origin and validity of what was measured of the stand.

The numbers themselves are in the plugins' sections. A verdict that depends on a constant that is too old, or that was
measured on another body, goes to a person for review.
"""

from __future__ import annotations

from datetime import date, timedelta
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Annotated

from pydantic import AfterValidator, Field

from glasswright.config.schema.names import Line, SafeName, Sentence
from glasswright.plugin.settings import ConfigModel
from glasswright.plugin.units import unit_of

if TYPE_CHECKING:
    from collections.abc import Mapping


def _check_pattern(measure: str) -> str:
    step, dot, field = measure.partition(".")
    if not (step and dot and field):
        raise ValueError("names no field: write `step.field`; `*` matches any letters")
    return measure


def _check_unit(name: str) -> str:
    if unit_of(name) is None:
        raise ValueError("a constant's name ends in its unit, as `read_noise_count` or `white_dn` does")
    return name


class StandNumber(ConfigModel):
    """A value with its standard uncertainty, in the unit in which its name ends."""

    value: float
    u: Annotated[float, Field(ge=0)]


class StandConstant(ConfigModel):
    """One thing that was measured of the stand."""

    measured: date
    holds_days: Annotated[int, Field(gt=0, le=36500)]
    """Days after `measured` until it must be measured again."""
    body: Line | None = None
    """The camera body that it belongs to; None if it does not depend on the body."""
    rests: tuple[Annotated[str, AfterValidator(_check_pattern)], ...] = ()
    """Fields whose numbers depend on it: `step.field`, `*` allowed."""
    values: Annotated[dict[Annotated[SafeName, AfterValidator(_check_unit)], StandNumber], Field(min_length=1)]
    origin: Sentence
    """Who measured it, and from what."""

    @property
    def last_day(self) -> date:
        """The last day on which it is valid."""
        return self.measured + timedelta(days=self.holds_days)

    def is_rested_on_by(self, measure: str) -> bool:
        """Return whether a field's number depends on it."""
        return any(fnmatchcase(measure, pattern) for pattern in self.rests)


def why_not_held(constants: Mapping[str, StandConstant], measure: str, body: str, day: date | None) -> tuple[str, ...]:
    """Explain which constants that a field depends on were not valid when it was measured; empty if all were.

    Parameters
    ----------
    constants
        By name.
    measure
        `step.field`.
    body
        The camera body that the lens was shot with.
    day
        When it was shot; None if unknown, and then no constant is known to have been valid.
    """
    reasons = []
    for name, constant in constants.items():
        if not constant.is_rested_on_by(measure):
            continue
        if constant.body is not None and constant.body != body:
            reasons.append(
                f"the stand's `{name}` was measured on body `{constant.body}`, the lens was shot on `{body}`"
            )
        if day is None:
            reasons.append(
                f"the stand's `{name}` is valid to {constant.last_day}, and no file says when the lens was shot"
            )
        elif day > constant.last_day:
            reasons.append(
                f"the stand's `{name}` of {constant.measured} was valid to {constant.last_day}, and the lens was "
                f"shot on {day}: measure it again"
            )
    return tuple(reasons)
