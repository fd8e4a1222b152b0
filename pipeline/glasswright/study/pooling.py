"""Pooling of standard deviations."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """A pooled standard deviation and its degrees of freedom."""

    sigma: float
    freedom: int


def pool(sigmas: Sequence[float], freedoms: Sequence[int]) -> Pooled:
    """Return the pooled standard deviation, weighted by degrees of freedom (NIST/SEMATECH e-Handbook, 2.4)."""
    freedom = sum(freedoms)
    square = sum(count * sigma**2 for sigma, count in zip(sigmas, freedoms, strict=True))
    return Pooled(sigma=math.sqrt(square / freedom) if freedom else 0.0, freedom=freedom)
