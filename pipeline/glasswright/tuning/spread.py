"""How lenses differ, freed from how uncertainly they were measured."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.statistics.factors import one_sided_factor

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FreedSpread:
    """The spread of the lenses themselves."""

    mean: float
    observed_sigma: float
    noise_sigma: float
    """Root mean square of the standard uncertainties."""
    sigma: float
    """Of the lenses; 0 where measuring alone explains what was seen."""
    effective_count: float
    """Values without uncertainty that would tell the mean as well, in units of `sigma`."""
    freedom: float
    """Degrees of freedom of `sigma`, which the subtraction costs."""

    @property
    def kept(self) -> float:
        """Of the observed spread, what is the lenses' own: 0 to 1."""
        return self.sigma / self.observed_sigma if self.observed_sigma > 0 else 0.0

    def lower_limit(self, content: float, confidence: float) -> float | None:
        """Give what a share of the lenses themselves lies above, normal spread assumed; None where it cannot be told.

        The factor is the exact one for as many values and degrees of freedom as the freed mean and spread are worth
        (Satterthwaite's approximation, in the manner of Mee, Technometrics 1984, 26:251-253).
        """
        if self.sigma == 0 or self.freedom < 1:
            return None
        factor = one_sided_factor(self.effective_count, content, confidence, self.freedom)
        return self.mean - factor * self.sigma


def free_spread(values: Array, uncertainties: Array) -> FreedSpread:
    """Take the measuring uncertainty out of a spread: variances subtract.

    Parameters
    ----------
    values
        At least two.
    uncertainties
        Their standard uncertainties; taken as known.
    """
    count = len(values)
    observed = float(values.var(ddof=1))
    noise = float((uncertainties**2).mean())
    own = max(observed - noise, 0.0)
    kept = own / observed if observed > 0 else 0.0
    return FreedSpread(
        mean=float(values.mean()),
        observed_sigma=math.sqrt(observed),
        noise_sigma=math.sqrt(noise),
        sigma=math.sqrt(own),
        effective_count=count * kept,
        freedom=(count - 1) * kept**2,
    )
