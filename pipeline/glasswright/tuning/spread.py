"""The spread of lenses, corrected for measurement uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FreedSpread:
    """The spread of the lenses themselves."""

    mean: float
    noise_sigma: float
    """Root mean square of the standard uncertainties."""
    sigma: float
    """Standard deviation of the lenses; 0 if the measurement uncertainty explains all of it."""


def free_spread(values: Array, uncertainties: Array) -> FreedSpread:
    """Return the spread without the measurement uncertainty, by subtracting variances.

    Parameters
    ----------
    values
        At least two values.
    uncertainties
        Their standard uncertainties, taken as exact.
    """
    observed = float(values.var(ddof=1))
    noise = float((uncertainties**2).mean())
    return FreedSpread(
        mean=float(values.mean()),
        noise_sigma=math.sqrt(noise),
        sigma=math.sqrt(max(observed - noise, 0.0)),
    )
