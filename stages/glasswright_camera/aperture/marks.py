"""Exact values of the rounded f-numbers on lenses and in files."""

from __future__ import annotations

from math import log2
from types import MappingProxyType
from typing import Final

THIRDS: Final = (
    "1 1.1 _ 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 25 29 32 36 40 45"
)
"""Markings in thirds of a stop from f/1. 1.2 is left out, since it is used for a third and for half a stop."""
HALVES: Final = MappingProxyType({1.7: 1.5, 2.4: 2.5, 3.3: 3.5, 4.8: 4.5, 6.7: 5.5, 9.5: 6.5, 19.0: 8.5, 27.0: 9.5})
"""Marking -> stops from f/1."""
STOPS: Final = MappingProxyType(
    {float(mark): place / 3 for place, mark in enumerate(THIRDS.split()) if mark != "_"} | dict(HALVES)
)


def stops_of(f_number: float) -> float:
    """Return the distance of a marked f-number from f/1 in stops: 5 for 5.6, which is the fifth power of sqrt(2).

    Markings are rounded: 11 means 11.31, and its nominal value would be wrong by 0.08 EV. Markings are powers of
    sqrt(2) in steps of a half or a third (ISO 517; from memory). Any other number is taken as exact."""
    return STOPS.get(round(f_number, 3), 2 * log2(f_number))
