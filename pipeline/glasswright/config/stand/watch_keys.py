"""The section `watch` of a stand file: the fields to watch, and the baseline nights for their control limits."""

from __future__ import annotations

from datetime import date  # noqa: TC003 - read at run time by pydantic
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from glasswright.config.schema.names import Line
from glasswright.plugin.settings import ConfigModel

if TYPE_CHECKING:
    from glasswright.plugin.artefact import Setting

Positive = Annotated[float, Field(gt=0)]

SAME_FRACTION = 1e-6
"""Tolerance for rounding when nominal settings are compared."""


def _check_exact_measure(measure: str) -> str:
    step, dot, field = measure.partition(".")
    if not (step and dot and field):
        raise ValueError("names no field: write `step.field`")
    if set(measure) & set("*?["):
        raise ValueError("must be one field, without `*`: each field has its own chart")
    return measure


class WatchedAt(ConfigModel):
    """The setting at which a field is watched."""

    focal_length_mm: Positive | None = None
    f_number: Positive | None = None
    focus_distance_m: Positive | None = None

    def holds(self, setting: Setting | None) -> bool:
        """Return whether a setting matches."""
        wanted = {name: value for name, value in self if value is not None}
        if setting is None:
            return not wanted
        return all(_same(getattr(setting, name), value) for name, value in wanted.items())

    def __str__(self) -> str:
        """Return the setting as text."""
        parts = [
            f"{self.focal_length_mm:g} mm" if self.focal_length_mm is not None else "",
            f"f/{self.f_number:g}" if self.f_number is not None else "",
            f"at {self.focus_distance_m:g} m" if self.focus_distance_m is not None else "",
        ]
        return " ".join(part for part in parts if part) or "any setting"


def _same(found: float | None, wanted: float) -> bool:
    return found is not None and abs(found - wanted) <= SAME_FRACTION * wanted


class WatchedField(ConfigModel):
    """One field that is watched."""

    at: WatchedAt = WatchedAt()
    """If left out: every setting of the reference tickets, each with its own chart."""
    smallest_sigma: Positive | None = None
    """In the field's unit: least standard deviation for the control limits, whatever the baseline's is."""


class WatchLeftOut(ConfigModel):
    """A night excluded from the baseline."""

    night: date
    by: Line
    why: Line


class WatchBaseline(ConfigModel):
    """The nights that the control limits are computed from, first and last included."""

    first: Annotated[date, Field(alias="from")]
    last: Annotated[date, Field(alias="to")]
    left_out: tuple[WatchLeftOut, ...] = ()
    """Nights that a person examined and excluded."""

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if self.last < self.first:
            raise ValueError(f"`to` {self.last} is before `from` {self.first}: write the earlier night first")
        return self

    def holds(self, night: date) -> bool:
        """Return whether a night belongs to the baseline."""
        return self.first <= night <= self.last and all(night != each.night for each in self.left_out)


class WatchRestart(ConfigModel):
    """A night on which the charts restart, after something was repaired."""

    on: date
    why: Line


class WatchKeys(ConfigModel):
    """How a stand is watched by its reference lens."""

    serial: Line | None = None
    """Serial number of the reference lens; may be left out if there is only one."""
    baseline: WatchBaseline
    fields: Annotated[dict[Annotated[str, AfterValidator(_check_exact_measure)], WatchedField], Field(min_length=1)]
    """By `step.field`."""
    missing_after_nights: Annotated[int, Field(ge=1)] = 3
    """After so many nights in a row without a reference shot the stand counts as out of control."""
    false_alarm_nights: Annotated[float, Field(ge=20)] = 200
    """Average number of nights between false alarms of all charts of a body together, on a stable stand."""
    autocorrelation: Annotated[float, Field(ge=0, le=0.7)] | None = None
    """Lag-1 autocorrelation of nights; if left out, estimated from 25 baseline nights or more, 0.3 with fewer."""
    average_weight: Annotated[float, Field(gt=0, lt=1)] = 0.2
    """Weight of the newest night in the exponentially weighted moving average."""
    restarts: tuple[WatchRestart, ...] = ()
