"""What one step of commissioning found, and what it would write into the stand file."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor, isfinite, log10
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date


def format_with_u(value: float, u: float) -> str:
    """Write a number with its standard uncertainty, as far as two digits of the uncertainty go (JCGM 100, 7.2.6)."""
    if not (u > 0 and isfinite(u)):
        return f"{value:.6g}"
    places = 1 - floor(log10(u))
    return f"{round(value, places):.{max(places, 0)}f} ± {u:.2g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class StepValue:
    """A constant of the stand, with its standard uncertainty."""

    name: str
    """Ends in its unit."""
    value: float
    u: float
    ceiling_u: float
    """Largest uncertainty with which the step counts as done well; stated before anything is shot."""
    meaning: str
    """For people."""

    @property
    def is_wide(self) -> bool:
        """Say whether its uncertainty is above the ceiling."""
        return not self.u <= self.ceiling_u


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """All that a step gives."""

    step: str
    findings: tuple[StepValue, ...]
    changes: Mapping[tuple[str | int, ...], Any]
    """Place in the stand file -> what stages are to read there."""
    rests: tuple[str, ...]
    """Fields whose numbers rest on these constants."""
    holds_days: int
    body: str | None
    measured: date
    """The last day of the shots."""
    shot_count: int
    is_rehearsed: bool = False
    """Whether any shot was rendered, not taken."""
    files: Mapping[str, bytes] = field(default_factory=dict)
    """Name beside the stand file -> content: what `changes` name."""
    notes: tuple[str, ...] = ()
    """What else was seen, and what was not determined."""

    def as_entry(self, by: str) -> dict[str, Any]:
        """Return the entry of the stand file's section `constants`, as YAML data."""
        rehearsed = "REHEARSED, not measured: " if self.is_rehearsed else ""
        body: dict[str, Any] = {} if self.body is None else {"body": self.body}
        return {
            "measured": self.measured.isoformat(),
            "holds_days": self.holds_days,
            **body,
            "rests": list(self.rests),
            "values": {
                each.name: {"value": float(f"{each.value:.7g}"), "u": float(f"{each.u:.3g}")} for each in self.findings
            },
            "origin": f"{rehearsed}commissioning, step {self.step}, {by}; {self.shot_count} shots",
        }
