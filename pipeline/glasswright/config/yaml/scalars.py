"""Types of unquoted YAML scalars."""

from __future__ import annotations

import math
import re

CONSTANTS = {
    "": None,
    "~": None,
    **dict.fromkeys(("null", "Null", "NULL")),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}
INTEGER = re.compile(r"[-+]?[0-9]+")
NUMBER = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
LEADING_ZERO = re.compile(r"[-+]?0[0-9]+")
NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
MOST_DIGITS = 400


def read_plain(text: str) -> bool | int | float | str | None:
    """Return the value of an unquoted scalar by the core schema of YAML 1.2, without its ambiguous forms.

    `yes`, `no`, `on`, `off`, dates, `1:30`, `0x1f` and `1_000` are text; `1e-3` is a number.

    Raises
    ------
    ValueError
        For a number that is not finite or has leading zeros; the message has the remedy.
    """
    if text in CONSTANTS:
        return CONSTANTS[text]
    if NOT_FINITE.fullmatch(text):
        raise ValueError(f"`{text}` is not a finite number; leave the key out or give a number")
    if LEADING_ZERO.fullmatch(text):
        raise ValueError(f'`{text}` may be text or a number; put it in quotes ("{text}") or drop the leading zeros')
    if len(text) > MOST_DIGITS and NUMBER.fullmatch(text):
        raise ValueError(f"a number of {len(text)} characters; put it in quotes if it is text")
    if INTEGER.fullmatch(text):
        return int(text)
    if NUMBER.fullmatch(text):
        value = float(text)
        if not math.isfinite(value):
            raise ValueError(f"`{text}` is too large for a number")
        return value
    return text
