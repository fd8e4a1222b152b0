"""What a set of limits does: the healthy lenses it holds, the bad ones it lets go."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtr

from glasswright.statistics.factors import share_interval
from glasswright.statistics.shares import Share, counted_share, cut_share
from glasswright.tuning.spread import free_spread

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright.tuning.evidence import Evidence, Lens
    from glasswright.tuning.proposing import Proposal

    Array = NDArray[np.float64]
    Flags = NDArray[np.bool_]

DRAWS: Final = 200
"""Of the true value behind each lens's measured one."""
SEED: Final = 20_120_106
SMOOTHING: Final = 1.06
"""Silverman's rule for the width of a normal kernel: 1.06 sigma n^(-1/5)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """What one side, or all sides of the card together, does to lenses."""

    held: Share
    """Of healthy lenses: those that do not pass."""
    failed: Share
    """Of healthy lenses: those that are proven outside, the rest of the held being for review."""
    released_bad: Share
    """Of all lenses: those whose true value lies beyond a limit and that pass for all that (JCGM 106: the global
    consumer's risk). Its upper end holds whatever the population: nothing beyond a limit passes oftener than the guard
    band allows."""
    known_bad: int
    """Lenses known to be bad that were measured."""
    known_bad_passed: int
    """Those of them that would pass."""

    @property
    def known_bad_share(self) -> Share:
        """Give the share of the known bad lenses that would pass."""
        return counted_share(self.known_bad_passed, self.known_bad) if self.known_bad else Share(value=0, low=0, high=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """The healthy lenses on some sides: what was measured, and what may be true."""

    values: Array
    """(lenses, sides), turned."""
    u: Array
    guards: Array
    """(sides,): standard uncertainties that a value must lie inside."""
    true: Array
    """(lenses, draws, sides): the lenses themselves, the spread freed from measuring."""

    def passing(self, bounds: Array) -> Flags:
        """Give (lenses, sides): which values pass."""
        return np.asarray(self.values - self.guards * self.u >= bounds)

    def failing(self, bounds: Array) -> Flags:
        """Give (lenses, sides): which values are proven outside."""
        simple = self.guards == 0
        inside = self.values + self.guards * self.u > bounds
        return np.asarray(np.where(simple, self.values < bounds, ~inside))

    def pass_probability(self, bounds: Array) -> Array:
        """Give (lenses, draws, sides): how likely a lens of that truth passes when it is measured."""
        u = self.u[:, None, :]
        room = self.true - bounds - self.guards * u
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(u > 0, ndtr(room / u), room >= 0))


def make_sample(evidence: Evidence, sides: Sequence[int], lenses: Sequence[Lens]) -> Sample:
    """Arrange lenses that have a value on all of these sides.

    The true values are those measured, drawn towards the median until only the lenses' own spread is left, and
    smoothed by a normal kernel that keeps that spread.
    """
    values = np.column_stack([evidence.values(side, lenses) for side in sides])
    u = np.column_stack([evidence.uncertainties(side, lenses) for side in sides])
    count = len(lenses)
    noise = np.random.default_rng(SEED).standard_normal((count, DRAWS, len(sides)))
    spreads = [free_spread(values[:, place], u[:, place]) for place in range(len(sides))]
    kept = np.array([spread.kept for spread in spreads])
    sigma = np.array([spread.sigma for spread in spreads])
    width = SMOOTHING * sigma * count**-0.2
    shrink = np.divide(sigma, np.hypot(sigma, width), out=np.ones_like(sigma), where=sigma > 0)
    middle = np.median(values, axis=0)
    own = kept * (values - middle)
    true = middle + shrink * (own[:, None, :] + width * noise)
    guards = np.array([evidence.sides[side].guard for side in sides])
    return Sample(values=values, u=u, guards=guards, true=true)


def find_risk(
    evidence: Evidence, sides: Sequence[int], proposals: Sequence[Proposal], bounds: Array, lenses: Sequence[Lens]
) -> Risk:
    """Give what limits do, on one side or on several together.

    Parameters
    ----------
    proposals
        For each side, where its bound is from: a share beyond limits that were cut off the same lenses follows from
        how many were cut, beyond a normal limit from its factor; beyond any other it is counted.
    bounds
        (sides,), turned.
    """
    sample = make_sample(evidence, sides, lenses)
    held = _held(sample, proposals, bounds)
    failing = int(sample.failing(bounds).any(axis=1).sum())
    bad, passed = _known_bad(evidence, sides, bounds)
    least = min(evidence.sides[side].confidence for side in sides)
    return Risk(
        held=held,
        failed=counted_share(failing, len(lenses)),
        released_bad=_released_bad(sample, bounds, least, held),
        known_bad=bad,
        known_bad_passed=passed,
    )


def _held(sample: Sample, proposals: Sequence[Proposal], bounds: Array) -> Share:
    count = len(sample.values)
    if all(each.method == "distribution_free" for each in proposals):
        exact = np.array([each.bound for each in proposals])
        beyond = sample.values - sample.guards * sample.u <= exact
        return cut_share(max(1, int(beyond.any(axis=1).sum())), count)
    if len(proposals) == 1 and proposals[0].method == "normal":
        guarded = sample.values[:, 0] - sample.guards[0] * sample.u[:, 0]
        factor = float((guarded.mean() - bounds[0]) / guarded.std(ddof=1)) if guarded.std(ddof=1) > 0 else np.inf
        low, high = share_interval(factor, count, 0.95)
        return Share(value=float(ndtr(-factor)), low=low, high=high)
    return counted_share(int((~sample.passing(bounds)).any(axis=1).sum()), count)


def _released_bad(sample: Sample, bounds: Array, confidence: float, held: Share) -> Share:
    beyond = (sample.true < bounds).any(axis=2)
    passing = sample.pass_probability(bounds).prod(axis=2)
    found = (beyond * passing).mean(axis=1)
    # of the lenses beyond a limit at least `confidence` are held, so there are at most held / confidence of them
    most = min(1.0, held.high / confidence) * (1 - confidence)
    low, high = _bootstrap(found)
    return Share(value=float(found.mean()), low=low, high=max(high, most))


def _bootstrap(found: Array) -> tuple[float, float]:
    """Give the interval of 95 % of a mean by drawing the lenses again."""
    generator = np.random.default_rng(SEED)
    again = found[generator.integers(0, len(found), (400, len(found)))].mean(axis=1)
    low, high = np.quantile(again, (0.025, 0.975))
    return float(low), float(high)


def _known_bad(evidence: Evidence, sides: Sequence[int], bounds: Array) -> tuple[int, int]:
    known = [lens for lens in evidence.bad if all(lens.readings[side].known for side in sides)]
    if not known:
        return 0, 0
    guarded = np.column_stack([evidence.guarded(side, known) for side in sides])
    return len(known), int((guarded >= bounds).all(axis=1).sum())
