"""Effective degrees of freedom by the Welch-Satterthwaite formula (JCGM 100:2008, G.4.1, formula G.2b)."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

from scipy.special import stdtrit

if TYPE_CHECKING:
    from collections.abc import Iterable


def effective_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Return the effective degrees of freedom of a sum of independent variances.

    Parameters
    ----------
    parts
        (variance or weighted mean square, degrees of freedom) of each part; degrees of freedom may be infinite.

    Returns
    -------
    Infinity if every part has infinite degrees of freedom or no variance.
    """
    known = list(parts)
    total = sum(variance for variance, _ in known)
    cost = sum(variance**2 / freedom for variance, freedom in known)
    return total**2 / cost if cost > 0 else math.inf


@lru_cache(maxsize=1024)
def quantile_of(confidence: float, freedom: float) -> float:
    """Return the quantile of Student's t (normal for infinite degrees of freedom)."""
    return float(stdtrit(freedom, confidence))
