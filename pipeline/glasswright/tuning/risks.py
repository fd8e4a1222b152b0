"""The risks of a set of limits: healthy lenses held, bad lenses passed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from glasswright.statistics.robust import robust_sigma
from glasswright.statistics.shares import Share, counted_share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright.tuning.evidence import Evidence, Lens

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """The risks of one side, or of all sides of the card together."""

    held: Share
    """Fraction of the healthy lenses that do not pass, counted. Lenses that the current card holds and nobody inspected
    are not included."""
    failed: Share
    """Fraction of the healthy lenses that FAIL; the rest of those held are in review."""
    known_bad: int
    """Number of known bad lenses with measurements: they came back, or a person found them faulty."""
    known_bad_passed: int
    """Number of known bad lenses that would pass."""

    @property
    def known_bad_share(self) -> Share:
        """Fraction of the known bad lenses that would pass."""
        return counted_share(self.known_bad_passed, self.known_bad) if self.known_bad else Share(value=0, low=0, high=1)


def find_risk(evidence: Evidence, sides: Sequence[int], bounds: Array, lenses: Sequence[Lens]) -> Risk:
    """Return the risks of limits on one or several sides together.

    Parameters
    ----------
    bounds
        (sides,), oriented.
    lenses
        Healthy lenses with a value on all of these sides.
    """
    guarded = np.column_stack([evidence.guarded(side, lenses) for side in sides])
    highest = np.column_stack([evidence.values(side, lenses) + evidence.bands(side, lenses) for side in sides])
    simple = np.array([not evidence.sides[side].guarded for side in sides])
    failing = np.where(simple, highest < bounds, highest <= bounds)
    known = [lens for lens in evidence.bad if lens.readings and all(lens.readings[side].known for side in sides)]
    passed = [all(evidence.guarded(side, [lens])[0] >= bound for side, bound in zip(sides, bounds, strict=True))
              for lens in known]  # fmt: skip
    return Risk(
        held=counted_share(int((guarded < bounds).any(axis=1).sum()), len(lenses)),
        failed=counted_share(int(failing.any(axis=1).sum()), len(lenses)),
        known_bad=len(known),
        known_bad_passed=sum(passed),
    )


def pass_share(evidence: Evidence, side: int, lenses: Sequence[Lens], bound: float, sigmas: float) -> float:
    """Return the fraction that passes of lenses that are bad by `sigmas` standard deviations of the healthy ones.

    Model: a normal distribution that far below the healthy median, with the healthy lenses' standard deviation (from
    the MAD).
    """
    guarded = evidence.guarded(side, lenses)
    middle = float(np.median(guarded))
    spread = robust_sigma(guarded)
    place = middle - sigmas * spread
    return float(ndtr((place - bound) / spread)) if spread > 0 else float(place >= bound)


def pass_probability(evidence: Evidence, side: int, lenses: Sequence[Lens], bound: float, true: float) -> float:
    """Return the probability that a lens with a true value passes, with the median uncertainty and guard band of
    `lenses`.

    Parameters
    ----------
    true
        True value, oriented.
    """
    u, band = (float(np.median(each)) for each in (evidence.uncertainties(side, lenses), evidence.bands(side, lenses)))
    room = true - band - bound
    return float(ndtr(room / u)) if u > 0 else float(room >= 0)
