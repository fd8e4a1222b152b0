"""The one table of unit suffixes: loading, reports and documentation all read it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Final

UNCERTAINTY_SUFFIX: Final = "_u"

UNITS: Final = MappingProxyType(
    {
        "cy_per_px": "cycles/pixel",
        "lp_per_mm": "line pairs/mm",
        "px": "pixel",
        "um": "µm",
        "mm": "mm",
        "m": "m",
        "s": "s",
        "ev": "EV",
        "pct": "%",
        "deg": "degree",
        "arcmin": "arc minute",
        "frac": "1",
        "count": "count",
        "dn": "DN",
        "steps": "focus steps",
        "stops": "stops",
        "depths": "depths of focus",
        "ratio": "1",
        "f_number": "f-number",
        "iso": "ISO",
        "hz": "Hz",
    }
)
"""Suffix of a measured field's name -> the unit as it is printed."""


@dataclass(frozen=True, slots=True)
class Range:
    """The values that a number can take, both ends included."""

    low: float = -math.inf
    high: float = math.inf

    def __and__(self, other: Range) -> Range:
        """Return what both hold."""
        return Range(max(self.low, other.low), min(self.high, other.high))

    def __str__(self) -> str:
        """Return it as people say it."""
        if math.isinf(self.low):
            return "any number" if math.isinf(self.high) else f"at most {self.high:g}"
        return f"at least {self.low:g}" if math.isinf(self.high) else f"{self.low:g} to {self.high:g}"


ANY_NUMBER: Final = Range()
NonNegative = Annotated[float, Range(low=0)]
"""A measured field that no noise makes negative: a length, a largest less a smallest."""
Percentage = Annotated[float, Range(low=0, high=100)]
"""A share of a whole, per cent."""

SCALES: Final = MappingProxyType(
    {
        "cy_per_px": Range(-2, 2),  # a pixel's own aperture ends at 1
        "lp_per_mm": Range(-5000, 5000),  # diffraction at f/0.5 in violet light ends there
        "px": Range(-1e6, 1e6),
        "um": Range(-1e6, 1e6),
        "mm": Range(-1e6, 1e6),
        "m": Range(-1e5, 1e5),
        "s": Range(-1e6, 1e6),
        "ev": Range(-24, 24),  # 16 bits, and 8 more by averaging 65,000 pixels
        "pct": Range(-1000, 1000),
        "deg": Range(-360, 360),
        "arcmin": Range(-21_600, 21_600),
        "frac": Range(-100, 100),
        "count": Range(0, 1e9),
        "dn": Range(-1e7, 1e7),
        "steps": Range(-1e6, 1e6),
        "stops": Range(-24, 24),
        "depths": Range(-1e4, 1e4),
        "ratio": Range(-1e7, 1e7),  # contrasts of light go to 24 stops
        "f_number": Range(0, 1000),
        "iso": Range(0, 1e8),
        "hz": Range(0, 1e9),
    }
)
"""Suffix -> the range in which all numbers of that unit lie on a bench for camera lenses (common practice, no source).

A limit beyond it is a slip of the pen or limits nothing; a field that is known better says so by its annotation.
"""


def unit_of(field_name: str) -> str | None:
    """Return the printed unit that a field's name ends in, or None where it ends in none.

    Parameters
    ----------
    field_name
        The last part of a measured field's name, such as ``worst_corner_loss_ev``; a trailing ``_u`` (the
        field's standard uncertainty, in the same unit) is set aside first.
    """
    suffix = suffix_of(field_name)
    return None if suffix is None else UNITS[suffix]


def scale_of(field_name: str) -> Range:
    """Return the range that a field's unit alone leaves it; any number where its name ends in no unit."""
    suffix = suffix_of(field_name)
    return ANY_NUMBER if suffix is None else SCALES[suffix]


def suffix_of(field_name: str) -> str | None:
    """Return the suffix that names a field's unit, such as ``pct``; None where its name ends in none."""
    name = field_name.removesuffix(UNCERTAINTY_SUFFIX)
    for suffix in sorted(UNITS, key=len, reverse=True):
        if name == suffix or name.endswith("_" + suffix):
            return suffix
    return None
