"""The requirements on tuned limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Method = Literal["auto", "distribution_free"]

FEWEST: Final = 10
"""Fewest lenses for a proposal: a standard deviation from fewer is uncertain by 25 % or more."""
SIGMAS: Final = (3, 4, 5, 6)
"""Degrees of badness, in standard deviations of the healthy lenses, for which the fraction that passes is reported."""
THINNING: Final = 5.0
"""Factor by which limits are computed more strictly than promised. The tests that reject a history let histories with
short tails pass, and among these more proposals fail than on average; `ci/bench decisions` shows how many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Aims:
    """The requirements on tuned limits."""

    held: float = 0.05
    """Largest fraction of healthy lenses that the whole card may hold."""
    confidence: float = 0.95
    """Confidence that the fraction is not larger."""
    method: Method = "auto"
    """With too few lenses for a proof, `auto` proposes an unproven number, `distribution_free` none."""
    review_is_held: bool = True
    """Whether a lens in review counts as held, since it does not go back to its owner either."""

    @property
    def strict_confidence(self) -> float:
        """The stricter confidence with which limits are computed (see `THINNING`)."""
        return 1 - (1 - self.confidence) / THINNING
