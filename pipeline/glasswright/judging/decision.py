"""One number against its limits, its uncertainty taken into account.

Rounding: a number counts as it is given, to its last digit; nothing is rounded to the limit's digits first (the
absolute method of ASTM E29, from memory). A number that was rounded before it was given must say so in its uncertainty.
What differs by no more than the arithmetic's own rounding is equal: 0.1 + 0.2 meets a limit of 0.3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from scipy.special import stdtr

from glasswright.ledger.verdict import Verdict
from glasswright.statistics.freedom import effective_freedom, quantile_of

if TYPE_CHECKING:
    from glasswright.judging.card import Rule

MOST_DECIMALS: Final = 9
SAME: Final = 1e-12
"""Of the larger of two numbers: a difference no larger is that of the arithmetic."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """The standard uncertainty of a number, in its unit, from its two parts; None for a part that nobody knows."""

    own: float | None
    """Of the measurement itself, from the stage."""
    stand: float | None
    """Reproducibility of the stand, from the stand file, and its repeatability where the shots are too few for one."""
    own_freedom: float = math.inf
    """Degrees of freedom behind the first part."""
    stand_freedom: float = math.inf
    """And behind the second."""
    lacks: str = "reproducibility"
    """What the stand file does not declare, where its part is not known."""

    @property
    def freedom(self) -> float:
        """Effective degrees of freedom of the known parts together, rounded down (JCGM 100:2008, G.4.1)."""
        parts = [((self.own or 0.0) ** 2, self.own_freedom), ((self.stand or 0.0) ** 2, self.stand_freedom)]
        found = effective_freedom(parts)
        return max(1.0, math.floor(found)) if math.isfinite(found) else math.inf

    @property
    def known(self) -> float:
        """The parts that are known, together; 0 where none is."""
        return math.hypot(self.own or 0.0, self.stand or 0.0)

    @property
    def total(self) -> float | None:
        """Both parts together, if both are known. No measurement has none at all, so 0 is not believed."""
        return (self.known or None) if self.own is not None and self.stand is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """The limits of a number and how they are decided."""

    lower: float | None
    upper: float | None
    rule: Rule
    confidence: float

    def margin(self, value: float) -> float:
        """How far a number lies inside the nearest limit, negative outside."""
        return margin_of(value, self.lower, self.upper)


def margin_of(value: float, lower: float | None, upper: float | None) -> float:
    """Return how far a number lies inside the nearest of its limits; negative outside, infinite without limits."""
    below = math.inf if lower is None else _subtract(value, lower)
    above = math.inf if upper is None else _subtract(upper, value)
    return min(below, above)


def _subtract(one: float, other: float) -> float:
    """Return the difference; 0 where it is only that of the arithmetic."""
    return 0.0 if abs(one - other) <= SAME * max(abs(one), abs(other)) else one - other


def guard_band(confidence: float, u: float, freedom: float = math.inf) -> float:
    """Return the width of the guard band: the quantile of Student's t at the confidence times the standard uncertainty.

    JCGM 106:2012, 8.3, with the degrees of freedom of JCGM 100:2008, G.3; ISO 14253-1:2017 for its use on both sides of
    a limit. With infinite degrees of freedom the quantile is the normal one.
    """
    return quantile_of(confidence, freedom) * u


def find_guard(uncertainty: Uncertainty, tolerance: Tolerance) -> float | None:
    """Return the guard band that a decision keeps to; 0 under the simple rule, None where no uncertainty is known."""
    if tolerance.rule == "simple":
        return 0.0
    total = uncertainty.total
    return None if total is None else guard_band(tolerance.confidence, total, uncertainty.freedom)


def conformance_probability(
    value: float, u: float, lower: float | None, upper: float | None, freedom: float = math.inf
) -> float:
    """Return the probability that the true value lies within the limits (JCGM 106:2012, clause 7; Student's t)."""
    below = 0.0 if lower is None else float(stdtr(freedom, (lower - value) / u))
    above = 0.0 if upper is None else float(stdtr(freedom, (value - upper) / u))
    return 1.0 - below - above


def decide(value: float, unit: str, uncertainty: Uncertainty, tolerance: Tolerance) -> tuple[Verdict, str]:
    """Return the verdict on a finite number, and why in a sentence.

    An uncertainty that can be none (NaN, infinite or negative) says that the measurement went wrong: UNKNOWN under
    either rule. Simple rule: inside or on the limit PASS, else FAIL. Guarded rule: PASS if inside by the guard band,
    FAIL if outside by it, else REVIEW. With two limits, PASS asks moreover that the number conforms to both at once
    with the card's confidence, which matters where they lie close together. An uncertainty of which a part is not
    known proves nothing good: REVIEW at best.
    """
    unit = "" if unit == "1" else unit  # a bare share is said without one
    for whose, u in (("the measurement's own", uncertainty.own), ("the stand's", uncertainty.stand)):
        if u is not None and not 0 <= u < math.inf:
            return Verdict.UNKNOWN, f"{value:.6g} {unit}".strip() + f": {whose} uncertainty is {u:g}, which is none"
    if tolerance.rule == "simple":
        margin = tolerance.margin(value)
        return (Verdict.PASS if margin >= 0 else Verdict.FAIL), _format_place(value, unit, tolerance, None)
    return _decide_guarded(value, unit, uncertainty, tolerance)


def _decide_guarded(value: float, unit: str, uncertainty: Uncertainty, tolerance: Tolerance) -> tuple[Verdict, str]:
    u = uncertainty.known
    guard, margin = guard_band(tolerance.confidence, u, uncertainty.freedom), tolerance.margin(value)
    # a margin of just the guard band is one, whatever the arithmetic made of its last digit
    guard = abs(margin) if abs(abs(margin) - guard) <= SAME * max(abs(value), guard) else guard
    if uncertainty.total is None:
        proven_outside = u > 0 and margin <= -guard
        place = _format_place(value, unit, tolerance, guard if proven_outside else None)
        return (Verdict.FAIL if proven_outside else Verdict.REVIEW), f"{place}; {_format_unknown(uncertainty)}"
    if margin <= -guard:
        return Verdict.FAIL, _format_place(value, unit, tolerance, guard)
    if margin < guard:
        return Verdict.REVIEW, _format_place(value, unit, tolerance, guard)
    if tolerance.lower is not None and tolerance.upper is not None:
        probability = conformance_probability(value, u, tolerance.lower, tolerance.upper, uncertainty.freedom)
        if probability < tolerance.confidence:
            why = f"the limits lie too close together for the standard uncertainty {u:.2g}"
            return Verdict.REVIEW, f"{value:.6g} {unit}: {why}, both hold with a probability of {probability:.3f} only"
    return Verdict.PASS, _format_place(value, unit, tolerance, guard)


def _format_unknown(uncertainty: Uncertainty) -> str:
    if uncertainty.own is None:
        return "the measurement's own uncertainty is not known"
    if uncertainty.stand is None:
        return f"the stand file declares no {uncertainty.lacks} for this measure"
    return "an uncertainty of 0 is not believed"


def _format_place(value: float, unit: str, tolerance: Tolerance, guard: float | None) -> str:
    """Say where a number lies by its nearest limit: `0.241 cycles/pixel is below the limit 0.270 by more than ...`."""
    below = math.inf if tolerance.lower is None else value - tolerance.lower
    above = math.inf if tolerance.upper is None else tolerance.upper - value
    limit = tolerance.lower if below <= above else tolerance.upper
    if limit is None:
        return f"{value:.6g} {unit} has no limit".replace("  ", " ")
    number, edge, band = _write(value, limit, guard)
    side = "above" if value > limit else "below" if value < limit else "on"
    start = f"{number} {unit}".strip()
    if guard is None:
        return f"{start} is {side} the limit {edge}"
    if abs(value - limit) >= guard:
        return f"{start} is {side} the limit {edge} by more than the guard band {band}"
    return f"{start} is {side} the limit {edge} by less than the guard band {band}"


def _write(value: float, limit: float, guard: float | None) -> tuple[str, str, str]:
    """Write the numbers of a sentence with as few decimals as still show what it says."""
    scale = guard or abs(limit) / 100 or 1.0
    first = max(0, -math.floor(math.log10(scale))) if math.isfinite(scale) else 0
    texts = ("", "", "")
    for decimals in range(min(first, MOST_DECIMALS), MOST_DECIMALS + 1):
        texts = (f"{value:.{decimals}f}", f"{limit:.{decimals}f}", f"{guard or 0:.{decimals}f}")
        number, edge, band = map(float, texts)
        same_side = (number > edge) == (value > limit) and (number < edge) == (value < limit)
        gap = round(abs(number - edge), MOST_DECIMALS)
        same_gap = guard is None or (gap > band) == (abs(value - limit) > guard)
        if same_side and same_gap and edge == round(limit, MOST_DECIMALS):
            break
    return texts
