"""The one table of unit suffixes: loading, reports and documentation all read it."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

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


def unit_of(field_name: str) -> str | None:
    """Give the printed unit that a field's name ends in, or None where it ends in none.

    Parameters
    ----------
    field_name
        The last part of a measured field's name, such as ``worst_corner_loss_ev``; a trailing ``_u`` (the
        field's standard uncertainty, in the same unit) is set aside first.
    """
    name = field_name.removesuffix(UNCERTAINTY_SUFFIX)
    for suffix in sorted(UNITS, key=len, reverse=True):
        if name == suffix or name.endswith("_" + suffix):
            return UNITS[suffix]
    return None
