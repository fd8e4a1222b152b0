"""Gauss-Legendre nodes, kept: edges of every plane and frame ask for the same few sets."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from scipy.special import roots_legendre

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@lru_cache(maxsize=256)
def legendre_nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return nodes and weights on -1..1, exact for polynomials of degree 2 count - 1; not to be written into."""
    node, weight = roots_legendre(count)
    node.flags.writeable = weight.flags.writeable = False
    return node, weight
