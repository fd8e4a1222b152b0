"""Formats of texts and numbers in records."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from glasswright.plugin.units import UNITS, unit_of
from glasswright.reports.pages.formats import format_number

if TYPE_CHECKING:
    from glasswright.ledger.verdict import LimitVerdict

COVERAGE_FACTOR: Final = 2
"""Coverage factor of the expanded uncertainty: about 95 % for a normal distribution (JCGM 100:2008, 6.2.1)."""


def name_field(path: str) -> str:
    """Return a field's path in words without unit: `green.centre.mean_cy_per_px` is `green, centre, mean`."""
    *nested, last = path.split(".")
    for suffix in sorted(UNITS, key=len, reverse=True):
        if last.endswith("_" + suffix):
            last = last.removesuffix("_" + suffix)
            break
    return ", ".join(part.replace("_", " ") for part in (*nested, last))


def name_unit(path: str) -> str:
    """Return the unit of a field for a column; empty for a pure number."""
    unit = unit_of(path.rpartition(".")[2]) or ""
    return "" if unit == "1" else unit


def write_limits(verdict: LimitVerdict) -> str:
    """Return the limits of a number: `≥ 0.355`, `≤ 1.35` or `−0.42 to 0`."""
    if verdict.lower is not None and verdict.upper is not None:
        return f"{format_number(verdict.lower)} to {format_number(verdict.upper)}"
    if verdict.lower is not None:
        return f"≥ {format_number(verdict.lower)}"
    return f"≤ {format_number(verdict.upper)}" if verdict.upper is not None else "none"
