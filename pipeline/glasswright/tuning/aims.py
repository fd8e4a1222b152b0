"""What tuned limits are to achieve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Method = Literal["auto", "distribution_free", "normal"]

FEWEST: Final = 10
"""Lenses below which no limit is proposed at all: a spread from fewer is off by a quarter of itself and more."""
LEAST_NORMAL: Final = 0.01
"""Probability of the Shapiro-Wilk test below which a sample is not taken for normal."""
LEAST_CUT: Final = 0.005
"""Share that an old limit must have cut off before what passed is treated as a truncated sample."""

MOST_OF_SHARE: Final = 0.9
"""Of the share that may be held, what sides that are not spread normally may take up, so that some is left."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aims:
    """What tuned limits are to achieve."""

    held: float = 0.05
    """Largest share of healthy lenses that the whole ticket may hold."""
    confidence: float = 0.95
    """Probability that it is no larger."""
    method: Method = "auto"
    review_is_held: bool = True
    """Whether a lens to be looked at again counts as held: it does not go back to its owner either."""
