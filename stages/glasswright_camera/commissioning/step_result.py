"""Result of a commissioning step, and the changes that it proposes for the stand file."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, isfinite, log10
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date


def format_with_u(value: float, u: float) -> str:
    """Return number ± standard uncertainty, rounded to two digits of the uncertainty (JCGM 100, 7.2.6)."""
    if not (u > 0 and isfinite(u)):
        return f"{value:.6g}"
    places = 1 - floor(log10(u))
    return f"{round(value, places):.{max(places, 0)}f} ± {u:.2g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepValue:
    """A constant of the stand, with its standard uncertainty."""

    name: str
    """With the unit as suffix."""
    value: float
    u: float
    ceiling_u: float
    """Largest acceptable uncertainty, fixed in advance."""
    meaning: str
    """Description shown to users."""

    @property
    def is_wide(self) -> bool:
        """Return whether the uncertainty is above the ceiling."""
        return not self.u <= self.ceiling_u


@dataclass(frozen=True, slots=True, kw_only=True)
class ShotBody:
    """The camera body of the shots."""

    model: str
    serial: str | None = None
    """None if the files have none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """Result of a step."""

    step: str
    findings: tuple[StepValue, ...]
    changes: Mapping[tuple[str | int, ...], Any]
    """Path of a key in the stand file -> new value."""
    rests: tuple[str, ...]
    """Fields that depend on these constants."""
    holds_days: int
    body: ShotBody | None
    """None if the constants do not depend on the body, or if the files do not name it."""
    measured: date
    """Last day of the shots."""
    shot_count: int
    is_rehearsed: bool = False
    """Whether any shot was rendered, not taken."""
    files: Mapping[str, bytes] = field(default_factory=dict)
    """File name beside the stand file -> content; `changes` refer to these names."""
    declared: tuple[str, ...] = ()
    """Values that a person declared, with their origin; the others come from the shots."""
    notes: tuple[str, ...] = ()
    """Further observations, and constants that were not determined."""

    def as_entry(self, by: str) -> dict[str, Any]:
        """Return the entry for the section `constants` of the stand file, as YAML data."""
        rehearsed = "REHEARSED, not measured: " if self.is_rehearsed else ""
        declared = f"; declared, not measured here: {'; '.join(self.declared)}" if self.declared else ""
        body: dict[str, Any] = {} if self.body is None else {"body": self.body.model}
        if self.body is not None and self.body.serial is not None:
            body["body_serial"] = self.body.serial
        return {
            "measured": self.measured.isoformat(),
            "holds_days": self.holds_days,
            **body,
            "rests": list(self.rests),
            "values": {
                each.name: {"value": float(f"{each.value:.7g}"), "u": float(f"{each.u:.3g}")} for each in self.findings
            },
            "origin": f"{rehearsed}commissioning, step {self.step}, {by}; {self.shot_count} shots{declared}",
        }
