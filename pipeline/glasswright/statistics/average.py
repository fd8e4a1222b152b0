"""The exponentially weighted moving average, which sees small lasting shifts that single points hide.

Roberts (1959); Lucas and Saccucci, Technometrics 32 (1990) 1-12; ISO 7870-6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Average:
    """The average after one more point, and its limits there, all in standard deviations from the centre."""

    value: float
    limit: float
    """It is out of control beyond this, on either side."""
    count: int
    """Points since it began."""

    @property
    def is_out(self) -> bool:
        """Whether it lies beyond its limits."""
        return abs(self.value) > self.limit


def begin_average() -> Average:
    """Return the average before the first point: the centre."""
    return Average(value=0.0, limit=math.inf, count=0)


def step_average(before: Average, distance: float, weight: float, width: float) -> Average:
    """Take in one more point.

    Parameters
    ----------
    distance
        Of the point from the centre, in standard deviations.
    weight
        Of this point; the rest is the average's so far.
    width
        Of the limits, in standard deviations of the average itself, which grow from those of one point to their
        lasting value.
    """
    count = before.count + 1
    spread = math.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * count)))
    return Average(value=weight * distance + (1 - weight) * before.value, limit=width * spread, count=count)
