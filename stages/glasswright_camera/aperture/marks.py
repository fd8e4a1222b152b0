"""Exact values of the rounded f-numbers and exposure times on lenses, on cameras and in files."""

from __future__ import annotations

from fractions import Fraction
from math import isclose, log2
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


TIME_THIRDS: Final = (
    "30 25 20 15 13 10 8 6 5 4 3.2 2.5 2 1.6 1.3 1 0.8 0.6 0.5 0.4 0.3 1/4 1/5 1/6 1/8 1/10 1/13 1/15 1/20 1/25 1/30 "
    "1/40 1/50 1/60 1/80 1/100 1/125 1/160 1/200 1/250 1/320 1/400 1/500 1/640 1/800 1/1000 1/1250 1/1600 1/2000 "
    "1/2500 1/3200 1/4000 1/5000 1/6400 1/8000"
)
"""Marked exposure times in thirds of a stop, from 32 s."""
TIME_HALVES: Final = "12 3 1.5 0.7 1/45 1/90 1/180 1/350 1/750 1/1500 1/3000 1/6000"
"""Marked exposure times in halves of a stop that differ from those in thirds."""
TIME_STOPS: Final = tuple(
    (float(Fraction(mark)), 5 - place / 3) for place, mark in enumerate(TIME_THIRDS.split())
) + tuple((float(Fraction(mark)), round(2 * log2(Fraction(mark))) / 2) for mark in TIME_HALVES.split())
"""Marking in seconds, and the stops from 1 s that it stands for."""
SAME_TIME: Final = 2e-3
"""Relative difference up to which a time is a marking."""


def time_rounding_ev(exposure_time_s: float) -> float:
    """Return how much longer a marked exposure time is than the power of two that it stands for: 0.093 EV for 1/60.

    Cameras mark powers of two in steps of a half or a third of a stop by round numbers: 1/60 stands for 1/64 (common
    practice; ISO 516, from memory). Some bodies expose for the exact time and write the round one, others expose for
    the time that they write. 0 for a time that is not a marking.
    """
    marks = [stops for mark, stops in TIME_STOPS if isclose(exposure_time_s, mark, rel_tol=SAME_TIME)]
    return log2(exposure_time_s) - marks[0] if marks else 0.0


def stops_of(f_number: float) -> float:
    """Return the distance of a marked f-number from f/1 in stops: 5 for 5.6, which is the fifth power of sqrt(2).

    Markings are rounded: 11 means 11.31, and its nominal value would be wrong by 0.08 EV. Markings are powers of
    sqrt(2) in steps of a half or a third (ISO 517; from memory). Any other number is taken as exact."""
    return STOPS.get(round(f_number, 3), 2 * log2(f_number))
