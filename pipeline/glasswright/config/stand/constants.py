"""The stand file's section `constants`: what was measured of the stand, when, on which body, for how long.

The numbers that stages read stand in the plugins' own sections. Here is where they come from, so that a verdict that
rests on one which is too old, or of another body, can be looked at by a person.
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
        raise ValueError("names no field: write `step.field`; `*` stands for any letters")
    return measure


def _check_unit(name: str) -> str:
    if unit_of(name) is None:
        raise ValueError("a constant's name ends in its unit, as `read_noise_count` or `white_dn` does")
    return name


class StandNumber(ConfigModel):
    """A number of the stand with its standard uncertainty, in the unit that its name ends in."""

    value: float
    u: Annotated[float, Field(ge=0)]


class StandConstant(ConfigModel):
    """One thing that was measured of the stand."""

    measured: date
    holds_days: Annotated[int, Field(gt=0, le=36500)]
    """So many days after `measured` it is to be measured again."""
    body: Line | None = None
    """The camera body that it belongs to; None where it is no body's."""
    rests: tuple[Annotated[str, AfterValidator(_check_pattern)], ...] = ()
    """Fields whose numbers rest on it: `step.field`, `*` allowed."""
    values: Annotated[dict[Annotated[SafeName, AfterValidator(_check_unit)], StandNumber], Field(min_length=1)]
    origin: Sentence
    """Who measured it, and from what."""

    @property
    def last_day(self) -> date:
        """The last day on which it holds."""
        return self.measured + timedelta(days=self.holds_days)

    def is_rested_on_by(self, measure: str) -> bool:
        """Say whether a field's number rests on it."""
        return any(fnmatchcase(measure, pattern) for pattern in self.rests)


def why_not_held(constants: Mapping[str, StandConstant], measure: str, body: str, day: date | None) -> tuple[str, ...]:
    """Say which constants that a field rests on did not hold when it was measured; nothing where all did.

    Parameters
    ----------
    constants
        By name.
    measure
        `step.field`.
    body
        The camera body that the lens was shot with.
    day
        When it was shot; None where nobody knows, and then no constant that ages is known to have held.
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
                f"the stand's `{name}` holds to {constant.last_day}, and no file tells when the lens was shot"
            )
        elif day > constant.last_day:
            reasons.append(
                f"the stand's `{name}` of {constant.measured} held to {constant.last_day}, and the lens was shot on "
                f"{day}: measure it again"
            )
    return tuple(reasons)
