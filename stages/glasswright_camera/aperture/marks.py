"""What the f-numbers engraved on lenses and written into files mean."""

from __future__ import annotations

from math import log2
from types import MappingProxyType
from typing import Final

THIRDS: Final = (
    "1 1.1 _ 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 25 29 32 36 40 45"
)
"""In thirds of a stop from f/1. 1.2 is left out: it stands for a third and for half a stop."""
HALVES: Final = MappingProxyType({1.7: 1.5, 2.4: 2.5, 3.3: 3.5, 4.8: 4.5, 6.7: 5.5, 9.5: 6.5, 19.0: 8.5, 27.0: 9.5})
"""Marking -> stops from f/1."""
STOPS: Final = MappingProxyType(
    {float(mark): place / 3 for place, mark in enumerate(THIRDS.split()) if mark != "_"} | dict(HALVES)
)


def stops_of(f_number: float) -> float:
    """Return how many stops a marked f-number lies from f/1: 5 for 5.6, which stands for the fifth power of sqrt(2).

    Markings are rounded: 11 means 11.31, and taken at its word it would feign 0.08 EV. They follow the powers of
    sqrt(2) and their halves and thirds (ISO 517; from memory). A number that is no such marking means itself.
    """
    return STOPS.get(round(f_number, 3), 2 * log2(f_number))
