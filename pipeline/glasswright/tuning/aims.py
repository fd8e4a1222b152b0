"""What tuned limits are to achieve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Method = Literal["auto", "distribution_free"]

FEWEST: Final = 10
"""Lenses below which no limit is proposed at all: a spread from fewer is off by a quarter of itself and more."""
SIGMAS: Final = (3, 4, 5, 6)
"""How bad the lenses are, in standard deviations of the healthy ones, of which it is said how often they pass."""
THINNING: Final = 5.0
"""So many times fewer claims than promised may fail before any is withheld. A test that withholds claims lets those
samples pass whose tail is short, and among them more fail than among all; `ci/bench decisions` shows how many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aims:
    """What tuned limits are to achieve."""

    held: float = 0.05
    """Largest share of healthy lenses that the whole ticket may hold."""
    confidence: float = 0.95
    """Probability that it is no larger."""
    method: Method = "auto"
    """`auto` gives a number without proof where there are too few lenses for one; `distribution_free` gives none."""
    review_is_held: bool = True
    """Whether a lens to be looked at again counts as held: it does not go back to its owner either."""

    @property
    def strict_confidence(self) -> float:
        """The confidence that limits are computed with, for that which is promised to hold among the claims made."""
        return 1 - (1 - self.confidence) / THINNING
