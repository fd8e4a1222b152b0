"""Formats of measures, values, times and file names on pages."""

from __future__ import annotations

import math
import re
from collections import Counter
from datetime import datetime
from hashlib import sha256
from statistics import median
from typing import TYPE_CHECKING, Final

from glasswright.plugin.units import UNITS, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

COVERAGE: Final = 2.0
"""Coverage factor of the printed uncertainties; the pages state it."""
MOST_DECIMALS: Final = 6
LONGEST_TEXT: Final = 40
MINUS: Final = "\N{MINUS SIGN}"


def format_measure(measure: str) -> str:
    """Format a measure without its step: `measure_mtf50.green.centre.mean_cy_per_px` -> `green, centre, mean`."""
    return _case(", ".join(_strip_unit(part).replace("_", " ") for part in measure.split(".")[1:])) or measure


def format_step(step: str) -> str:
    """Format a step: `measure_mtf50` -> `MTF50`, `locate_chart` -> `locate chart`."""
    return _case(step.removeprefix("measure_").replace("_", " "))


def _case(text: str) -> str:
    return re.sub(r"\bmtf", "MTF", text)


def format_heading(text: str) -> str:
    """Capitalise the first letter of a text, unless it begins with a file name."""
    return text if "/" in text.partition(" ")[0] else text[:1].upper() + text[1:]


def format_unit(measure: str) -> str:
    """Return the unit of a measure for printing after a number; empty for a pure number."""
    unit = unit_of(measure.rpartition(".")[2]) or ""
    return "" if unit in ("1", "count") else unit


def _strip_unit(name: str) -> str:
    for suffix in sorted(UNITS, key=len, reverse=True):
        if name.endswith("_" + suffix):
            return name.removesuffix("_" + suffix)
    return name


def format_value(value: float | None, u: float | None) -> str:
    """Format a number with its expanded uncertainty, two digits of that: `0.316 ± 0.006`."""
    if value is None or not math.isfinite(value):
        return "not measured"
    if u is None or not math.isfinite(u) or u <= 0:
        return format_number(value)
    decimals = decimals_of(COVERAGE * u)
    return f"{_minus(f'{value:.{decimals}f}')} ± {COVERAGE * u:.{decimals}f}"


def format_change(change: float | None, u: float | None) -> str:
    """Format a difference with sign and expanded uncertainty: `+0.012 ± 0.006`; empty if there is none."""
    if change is None or not math.isfinite(change):
        return ""
    return ("+" if change > 0 else "") + format_value(change, u)


def format_change_side(value: float | str | None, u: float | None) -> str:
    """Format one side of a difference with the decimals of the difference's uncertainty."""
    if isinstance(value, str):
        return value if len(value) <= LONGEST_TEXT else value[: LONGEST_TEXT - 1] + "…"
    if value is None or not math.isfinite(value):
        return "–"
    known = u is not None and math.isfinite(u) and u > 0
    return _minus(f"{value:.{decimals_of(COVERAGE * u)}f}") if known and u else format_number(value)


def decimals_of(u: float) -> int:
    """Return the number of decimals that show two digits of an uncertainty (JCGM 100:2008, 7.2.6)."""
    return min(max(0, 1 - math.floor(math.log10(float(f"{u:.1e}")))), MOST_DECIMALS)


def format_middle(values: Sequence[float], uncertainties: Sequence[float | None]) -> str:
    """Format the median of numbers with the decimals of their uncertainties."""
    known = [u for u in uncertainties if u]
    decimals = decimals_of(COVERAGE * median(known)) if known else MOST_DECIMALS
    return _minus(f"{median(values):.{decimals}f}") if known else format_number(median(values))


def format_number(value: float) -> str:
    """Format a number without uncertainty."""
    return _minus(f"{value:.5g}") if math.isfinite(value) else "not measured"


def _minus(text: str) -> str:
    """Replace hyphens by minus signs; remove the sign of a number rounded to zero."""
    return re.sub(r"-(?=[0.]+$)", "", text).replace("-", MINUS)


def format_limits(lower: float | None, upper: float | None) -> str:
    """Format limits: `at least 0.355`, `at most 1.35`, `−0.42 to 0`."""
    if lower is not None and upper is not None:
        return f"{format_number(lower)} to {format_number(upper)}"
    if lower is not None:
        return f"at least {format_number(lower)}"
    return f"at most {format_number(upper)}" if upper is not None else "no limit"


def format_time(text: str) -> str:
    """Format an ISO 8601 time to the minute; other texts are unchanged."""
    try:
        return datetime.fromisoformat(text).strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return text


def format_seconds(seconds: float) -> str:
    """Format a duration: `24 s`, `3 min 5 s`, `2 h 4 min`."""
    whole = round(seconds)
    if whole < 60:
        return f"{seconds:.1f} s" if seconds < 9.95 else f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def name_pages(names: Iterable[str]) -> Mapping[str, str]:
    """Return name -> a file name that is safe on any file system."""
    plain = {name: re.sub(r"[^A-Za-z0-9._]+", "-", name).strip("-.")[:80] or "x" for name in dict.fromkeys(names)}
    taken = Counter(each.casefold() for each in plain.values())
    return {
        name: f"{each}.html" if taken[each.casefold()] == 1 else f"{each}-{sha256(name.encode()).hexdigest()[:8]}.html"
        for name, each in plain.items()
    }
