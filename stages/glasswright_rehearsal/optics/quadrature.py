"""Gauss-Legendre nodes, cached: all planes and frames use the same few sets."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from scipy.special import roots_legendre

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@lru_cache(maxsize=256)
def legendre_nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights on -1..1 (read-only arrays), exact for polynomials of degree 2 count - 1."""
    node, weight = roots_legendre(count)
    node.flags.writeable = weight.flags.writeable = False
    return node, weight
