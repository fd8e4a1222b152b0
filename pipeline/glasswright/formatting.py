"""Numbers and counts as messages write them."""

from __future__ import annotations

from typing import Final

MOST_DIGITS: Final = 17
"""As many as tell any two floating-point numbers apart."""


def format_against(value: float, limit: float, form: str = ".2g") -> str:
    """Format a value that a message compares with a limit: 4.96 against 5 as `4.96`, not as `5`.

    Parameters
    ----------
    value
        The value.
    limit
        What it is compared with, shown as `{limit:g}`.
    form
        How to show it where that is enough: `.1f`, `.2g`.
    """
    shown, kind = float(f"{limit:g}"), form[-1]
    text = ""
    for digits in range(int(form[1:-1]), MOST_DIGITS + 1):
        text = f"{value:.{digits}{kind}}"
        if (float(text) > shown, float(text) < shown) == (value > limit, value < limit):
            break
    return text


def format_count(number: int, what: str) -> str:
    """Return a number of things: `1 ticket`, `2 tickets`."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"
