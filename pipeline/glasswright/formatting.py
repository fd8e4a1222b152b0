"""Formats of numbers and counts in messages."""

from __future__ import annotations

from typing import Final

MOST_DIGITS: Final = 17
"""Significant digits that distinguish any two 64-bit floating-point numbers."""


def format_against(value: float, limit: float, form: str = ".2g") -> str:
    """Format a value so that it does not read like the limit it is compared with: 4.96 against 5 is `4.96`, not `5`.

    Parameters
    ----------
    value
        The value.
    limit
        The limit, shown as `{limit:g}`.
    form
        Format to try first: `.1f`, `.2g`.
    """
    shown, kind = float(f"{limit:g}"), form[-1]
    text = ""
    for digits in range(int(form[1:-1]), MOST_DIGITS + 1):
        text = f"{value:.{digits}{kind}}"
        if (float(text) > shown, float(text) < shown) == (value > limit, value < limit):
            break
    return text


def format_count(number: int, what: str) -> str:
    """Return a count with its noun: `1 ticket`, `2 tickets`, `2 lenses`."""
    ending = "" if number == 1 else "es" if what.endswith("s") else "s"
    return f"{number} {what}{ending}"
