"""Decision rules: one number, with its uncertainty, against its limits.

Rounding: numbers are compared with all their digits, not rounded to the digits of the limit (the absolute method of
ASTM E29, from memory). The uncertainty of a rounded number must include the rounding. Numbers that differ only by
floating-point rounding are equal: 0.1 + 0.2 meets a limit of 0.3.
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
    from glasswright.ledger.verdict import LimitVerdict

MOST_DECIMALS: Final = 9
SAME: Final = 1e-12
"""Relative difference up to which two numbers are equal (floating-point rounding)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """The standard uncertainty of a number, in its unit, in two parts; None for an unknown part."""

    own: float | None
    """Uncertainty of the measurement itself, from the stage."""
    stand: float | None
    """Reproducibility of the stand, from the stand file, with its repeatability if there are too few shots."""
    own_freedom: float = math.inf
    """Degrees of freedom of the first part."""
    stand_freedom: float = math.inf
    """Degrees of freedom of the second part."""
    lacks: str = "reproducibility"
    """What the stand file lacks if the stand's part is unknown."""

    @property
    def freedom(self) -> float:
        """Effective degrees of freedom of the known parts, rounded down (JCGM 100:2008, G.4.1)."""
        parts = [((self.own or 0.0) ** 2, self.own_freedom), ((self.stand or 0.0) ** 2, self.stand_freedom)]
        found = effective_freedom(parts)
        return max(1.0, math.floor(found)) if math.isfinite(found) else math.inf

    @property
    def known(self) -> float:
        """Combined uncertainty of the known parts; 0 if none is known."""
        return math.hypot(self.own or 0.0, self.stand or 0.0)

    @property
    def total(self) -> float | None:
        """Combined uncertainty if both parts are known; None if not, or if it is 0, which no measurement has."""
        return (self.known or None) if self.own is not None and self.stand is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """The limits of a number and their decision rule."""

    lower: float | None
    upper: float | None
    rule: Rule
    confidence: float

    def margin(self, value: float) -> float:
        """Return the margin of a number to the nearest limit; negative outside."""
        return margin_of(value, self.lower, self.upper)


def margin_of(value: float, lower: float | None, upper: float | None) -> float:
    """Return the margin of a number to the nearest of its limits; negative outside, infinite without limits."""
    below = math.inf if lower is None else _subtract(value, lower)
    above = math.inf if upper is None else _subtract(upper, value)
    return min(below, above)


def margin_over_u(verdict: LimitVerdict) -> float:
    """Return the margin of a judged number in its standard uncertainties; as it is without one, 0 without a number."""
    if verdict.value is None:
        return 0.0
    return margin_of(verdict.value, verdict.lower, verdict.upper) / (verdict.u or 1.0)


def _subtract(one: float, other: float) -> float:
    """Return the difference, or 0 if it is only floating-point rounding."""
    return 0.0 if abs(one - other) <= SAME * max(abs(one), abs(other)) else one - other


def guard_band(confidence: float, u: float, freedom: float = math.inf) -> float:
    """Return the width of the guard band: the quantile of Student's t at the confidence times the standard uncertainty.

    JCGM 106:2012, 8.3, with the degrees of freedom of JCGM 100:2008, G.3; ISO 14253-1:2017 for its use on both sides of
    a limit. With infinite degrees of freedom the quantile is the normal one.
    """
    return quantile_of(confidence, freedom) * u


def find_guard(uncertainty: Uncertainty, tolerance: Tolerance) -> float | None:
    """Return the guard band of a decision; 0 under the simple rule, None if the uncertainty is unknown."""
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
    """Return the verdict on a finite number, and the reason in a sentence.

    An invalid uncertainty (NaN, infinite or negative) means that the measurement went wrong: UNKNOWN under either rule.
    Simple rule: PASS inside or on the limit, else FAIL. Guarded rule: PASS if inside by the guard band, FAIL if outside
    by it, else REVIEW. With two limits, PASS also requires that the probability of conforming to both reaches the
    card's confidence, which matters if the limits are close together. If a part of the uncertainty is unknown: REVIEW
    at best.
    """
    unit = "" if unit == "1" else unit  # a fraction is printed without a unit
    for whose, u in (("the measurement's own", uncertainty.own), ("the stand's", uncertainty.stand)):
        if u is not None and not 0 <= u < math.inf:
            return Verdict.UNKNOWN, f"{value:.6g} {unit}".strip() + f": {whose} uncertainty is {u:g}, which is invalid"
    if tolerance.rule == "simple":
        margin = tolerance.margin(value)
        return (Verdict.PASS if margin >= 0 else Verdict.FAIL), _format_place(value, unit, tolerance, None)
    return _decide_guarded(value, unit, uncertainty, tolerance)


def _decide_guarded(value: float, unit: str, uncertainty: Uncertainty, tolerance: Tolerance) -> tuple[Verdict, str]:
    u = uncertainty.known
    guard, margin = guard_band(tolerance.confidence, u, uncertainty.freedom), tolerance.margin(value)
    # a margin that differs from the guard band only by rounding equals it
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
            why = f"the limits are too close together for the standard uncertainty {u:.2g}"
            return (
                Verdict.REVIEW,
                f"{value:.6g} {unit}: {why}: the probability of meeting both is only {probability:.3f}",
            )
    return Verdict.PASS, _format_place(value, unit, tolerance, guard)


def _format_unknown(uncertainty: Uncertainty) -> str:
    if uncertainty.own is None:
        return "the measurement's own uncertainty is unknown"
    if uncertainty.stand is None:
        return f"the stand file declares no {uncertainty.lacks} for this measure"
    return "an uncertainty of 0 is not accepted"


def _format_place(value: float, unit: str, tolerance: Tolerance, guard: float | None) -> str:
    """Compare a number with its nearest limit in words: `0.241 cycles/pixel is below the limit 0.270 by more than
    ...`."""
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
    """Format value, limit and guard band with the fewest decimals at which they still compare in the same way."""
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
