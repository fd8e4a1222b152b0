"""Formats of texts and numbers in records."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from glasswright.plugin.units import UNITS, unit_of

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


def write_result(value: float | None, u: float | None) -> str:
    """Return `0.394 ± 0.008`: the value and its expanded uncertainty, to the latter's two leading digits.

    JCGM 100:2008, 7.2.6 on how many digits.
    """
    if value is None or not math.isfinite(value):
        return "not measured"
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.4g}"
    expanded = COVERAGE_FACTOR * u
    decimals = max(0, 1 - math.floor(math.log10(float(f"{expanded:.1e}"))))
    return f"{value:.{decimals}f} ± {expanded:.{decimals}f}"


def write_limits(verdict: LimitVerdict) -> str:
    """Return the limits of a number: `≥ 0.355`, `≤ 1.35` or `-0.42 to 0`."""
    if verdict.lower is not None and verdict.upper is not None:
        return f"{verdict.lower:g} to {verdict.upper:g}"
    if verdict.lower is not None:
        return f"≥ {verdict.lower:g}"
    return f"≤ {verdict.upper:g}" if verdict.upper is not None else "none"
