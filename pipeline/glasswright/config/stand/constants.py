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
from glasswright.plain_text import fold_name
from glasswright.plugin.settings import ConfigModel
from glasswright.plugin.units import unit_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping


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
    """Model of the camera body that it belongs to; None if it does not depend on the body."""
    body_serial: Line | None = None
    """Serial number of that body; None if unknown, and then it counts for every body of the model."""
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


def is_same_serial(one: str, other: str) -> bool:
    """Return whether two serial numbers are the same but for letter case, blanks and leading zeros."""
    return fold_name(one) == fold_name(other)


def why_not_held(
    constants: Mapping[str, StandConstant], measure: str, body: str, serials: Collection[str], day: date | None
) -> tuple[str, ...]:
    """Explain which constants that a field depends on were not valid when it was measured; empty if all were.

    Parameters
    ----------
    constants
        By name.
    measure
        `step.field`.
    body
        Model of the camera body that the lens was shot with.
    serials
        Serial numbers of that body in the lens's files and ticket; empty if unknown, and then no constant of a body
        with a serial number is known to be valid.
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
        elif constant.body_serial is not None:
            reasons += _compare_serials(name, constant.body_serial, serials)
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


def _compare_serials(name: str, own: str, serials: Collection[str]) -> Iterator[str]:
    other = sorted(serial for serial in serials if not is_same_serial(serial, own))
    if other:
        yield (
            f"the stand's `{name}` was measured on the body with serial number `{own}`, the lens was shot on "
            f"{', '.join(f'`{serial}`' for serial in other)}: use the stand file of that body, or measure it again"
        )
    elif not serials:
        yield (
            f"the stand's `{name}` was measured on the body with serial number `{own}`, and neither the files nor the "
            "ticket say which body the lens was shot on: write `body: {serial: ...}` in ticket.yaml"
        )
