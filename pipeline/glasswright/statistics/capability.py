"""Process capability: a distribution compared with its limits."""

from __future__ import annotations

import math

Z_95 = 1.959963984540054


def capability(mean: float, sigma: float, lower: float | None, upper: float | None) -> float | None:
    """Return C_pk: the distance from the mean to the nearest limit, divided by three standard deviations.

    NIST/SEMATECH e-Handbook 6.1.6. None without spread or limit.
    """
    if sigma <= 0 or (lower is None and upper is None):
        return None
    below = math.inf if lower is None else mean - lower
    above = math.inf if upper is None else upper - mean
    return min(below, above) / (3 * sigma)


def capability_interval(found: float, count: int) -> tuple[float, float]:
    """Return the approximate 95 % interval of a C_pk from `count` values (NIST/SEMATECH e-Handbook 6.1.6)."""
    half = Z_95 * math.sqrt(1 / (9 * count) + found**2 / (2 * (count - 1)))
    return (found - half, found + half)
