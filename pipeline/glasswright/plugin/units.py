"""The table of unit suffixes, for loading plugins, reports and documentation."""

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
"""Suffix of a measured field's name -> printed unit."""


@dataclass(frozen=True, slots=True)
class Range:
    """A closed range of values."""

    low: float = -math.inf
    high: float = math.inf

    def __and__(self, other: Range) -> Range:
        """Return the intersection."""
        return Range(max(self.low, other.low), min(self.high, other.high))

    def __str__(self) -> str:
        """Return the range in words."""
        if math.isinf(self.low):
            return "any number" if math.isinf(self.high) else f"at most {self.high:g}"
        return f"at least {self.low:g}" if math.isinf(self.high) else f"{self.low:g} to {self.high:g}"


ANY_NUMBER: Final = Range()
NonNegative = Annotated[float, Range(low=0)]
"""A measured field that noise cannot make negative: a length, or a maximum minus a minimum."""
Percentage = Annotated[float, Range(low=0, high=100)]
"""A part of a whole in per cent."""

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
"""Suffix -> the range of all values in that unit on a bench for camera lenses (common practice, no source).

A limit outside it is a typing error or limits nothing. A field with a narrower range declares it by its annotation.
"""


def unit_of(field_name: str) -> str | None:
    """Return the printed unit of a field's name, or None if the name ends in no unit.

    Parameters
    ----------
    field_name
        The last part of a measured field's name, such as ``worst_corner_loss_ev``; a trailing ``_u`` (the field's
        standard uncertainty, in the same unit) is ignored.
    """
    suffix = suffix_of(field_name)
    return None if suffix is None else UNITS[suffix]


def scale_of(field_name: str) -> Range:
    """Return the range of a field by its unit; any number if its name ends in no unit."""
    suffix = suffix_of(field_name)
    return ANY_NUMBER if suffix is None else SCALES[suffix]


def suffix_of(field_name: str) -> str | None:
    """Return the unit suffix of a field's name, such as ``pct``; None if it has none."""
    name = field_name.removesuffix(UNCERTAINTY_SUFFIX)
    for suffix in sorted(UNITS, key=len, reverse=True):
        if name == suffix or name.endswith("_" + suffix):
            return suffix
    return None
