"""Says what was seen, in words that a technician would use."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from glasswright import unit_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from glasswright_camera.diagnosis.result import Sign

MOST_SIGNS = 4


def list_signs(signs: Iterable[Sign]) -> str:
    """Name signs with their values, a few at most."""
    told = [tell_sign(sign) for sign in signs]
    more = f", and {len(told) - MOST_SIGNS} more" if len(told) > MOST_SIGNS else ""
    return ", ".join(told[:MOST_SIGNS]) + more


def tell_sign(sign: Sign) -> str:
    """Give one sign: `corner fall 0.62 +- 0.01 where 0.21 is usual (50 mm f/2)`."""
    unit = unit_of(sign.measure.rpartition(".")[2]) or ""
    unit = f" {unit}" if unit not in ("", "1", "count") else ""
    usual = f" where {_figures(sign.usual, sign.u)} is usual" if isfinite(sign.usual) else ""
    where = f" at {sign.where}" if sign.where else ""
    return f"{sign.kind} {_figures(sign.value, sign.u)}{unit}{usual}{where}"


def _figures(value: float, u: float) -> str:
    """Round to where the uncertainty begins, three figures at most."""
    digits = 2 if u <= 0 else max(0, min(4, -int(f"{u:e}".partition("e")[2])))
    return f"{value:.{digits}f}"
