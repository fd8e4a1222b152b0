"""New numbers for the limits of a card, from the lenses that the ledger knows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from glasswright.statistics.factors import one_sided_factor, two_sided_factor
from glasswright.statistics.order_limits import count_needed, cut_blocks, least_share, most_cut
from glasswright.statistics.robust import describe, shape_probability
from glasswright.statistics.truncated import fit_truncated, truncated_limit, untruncated_scores
from glasswright.tuning.aims import FEWEST, LEAST_CUT, LEAST_NORMAL, MOST_OF_SHARE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from glasswright.tuning.aims import Aims
    from glasswright.tuning.evidence import Evidence, Lens
    from glasswright.tuning.sides import Side

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A number for one side of a limit, or why there is none."""

    method: str
    """`distribution_free`, `normal`, `truncated_normal`; `typed` for one typed by hand; `refused`."""
    bound: float | None
    """Turned so that less is worse; as computed. None if refused."""
    number: float | None
    """As the card has it, rounded to the lax side."""
    count: int
    """Lenses behind it."""
    says: str
    """What it rests on, or why it was refused, in a sentence."""
    factor: float | None = None
    """Standard deviations from the mean, for a normal limit."""


def propose(evidence: Evidence, aims: Aims) -> tuple[Proposal, ...]:
    """Give a proposal for every side of the evidence.

    Parameters
    ----------
    evidence
        The lenses, with their values on every side.
    aims
        The share of healthy tickets that may be held, and how surely. It is shared out evenly over the sides.
    """
    refused = {number: why for number in range(len(evidence.sides)) if (why := _why_too_few(evidence, number))}
    open_sides = [number for number in range(len(evidence.sides)) if number not in refused]
    lenses = evidence.complete(open_sides)
    if open_sides and len(lenses) < FEWEST:
        why = f"only {len(lenses)} lenses were measured for every limit: {_format_needs(len(open_sides), aims)}"
        return tuple(_refuse(len(lenses), refused.get(number, why)) for number in range(len(evidence.sides)))
    cut_off = [number for number in open_sides if _is_cut_off(evidence, number, lenses)]
    others = [number for number in open_sides if number not in cut_off]
    found: dict[int, Proposal] = {number: _refuse(_count(evidence, number), why) for number, why in refused.items()}
    each = aims.held / len(open_sides) if open_sides else aims.held
    found |= {number: _propose_truncated(evidence, number, lenses, each, aims) for number in cut_off}
    if others:
        found |= _propose_together(evidence, others, lenses, each, aims)
    return tuple(found[number] for number in range(len(evidence.sides)))


def tuned_values(evidence: Evidence, side: int, lenses: Sequence[Lens], aims: Aims) -> Array:
    """Give what must reach the limit for a lens not to be held: its value, the guard band taken off or added."""
    band = evidence.sides[side].guard * evidence.uncertainties(side, lenses)
    return evidence.values(side, lenses) + (-band if aims.review_is_held else band)


def round_lax(side: Side, bound: float, spread: float) -> float:
    """Round a bound to a twentieth of the spread or finer, to the side that holds fewer lenses, and turn it back."""
    decimals = max(0, math.ceil(-math.log10(spread / 20))) if spread > 0 else 6
    number = math.floor(bound * 10**decimals) / 10**decimals
    return round(side.turn(number), decimals) + 0.0


def _count(evidence: Evidence, side: int) -> int:
    return sum(lens.readings[side].known for lens in evidence.healthy)


def _why_too_few(evidence: Evidence, side: int) -> str:
    count = _count(evidence, side)
    if count >= FEWEST:
        return ""
    unread = [lens.readings[side].why for lens in evidence.healthy if not lens.readings[side].known]
    missing = f"; {len(unread)} have none, as {unread[0]}" if unread else ""
    if evidence.left_out and not unread:
        missing = f"; {len(evidence.left_out)} tickets are left out, as {evidence.left_out[0].why}"
    return f"too few lenses: {count} have a value, {FEWEST} are needed for any limit at all{missing}"


def _format_needs(sides: int, aims: Aims) -> str:
    needed = count_needed(sides, 1 - aims.held, aims.confidence)
    many = f"the {sides} sides of the card's limits together" if sides > 1 else "a limit"
    return f"{FEWEST} are needed for normal limits, {needed} for {many} without assumption of a shape"


def _refuse(count: int, why: str) -> Proposal:
    return Proposal(method="refused", bound=None, number=None, count=count, says=why)


def _is_cut_off(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> bool:
    """Say whether only lenses that passed the old limit are there, and the limit has cut others off."""
    old = evidence.sides[side].bound
    everybody = [lens for lens in (*evidence.healthy, *evidence.bad) if lens.readings[side].known]
    if old is None or np.any(evidence.guarded(side, everybody) < old):
        return False
    values, cuts = _values_and_cuts(evidence, side, lenses, old)
    if not _may_be_cut(values, cuts):
        return False
    fit = fit_truncated(values, cuts)
    return fit is None or fit.cut >= LEAST_CUT


def _may_be_cut(values: Array, cuts: Array) -> bool:
    """Say whether the cut is near enough to matter, by the spread as it is seen: most often that settles it."""
    spread = float(values.std(ddof=1))
    return spread > 0 and float(np.mean(ndtr((cuts - values.mean()) / spread))) > LEAST_CUT / 50


def _values_and_cuts(evidence: Evidence, side: int, lenses: Sequence[Lens], old: float) -> tuple[Array, Array]:
    return (
        evidence.values(side, lenses),
        old + evidence.sides[side].guard * evidence.uncertainties(side, lenses),
    )


def _propose_truncated(evidence: Evidence, side: int, lenses: Sequence[Lens], share: float, aims: Aims) -> Proposal:
    """Propose from lenses of which only those that passed the old limit are there."""
    old = evidence.sides[side].bound or 0.0
    shift = float(np.mean(tuned_values(evidence, side, lenses, aims) - evidence.values(side, lenses)))
    values, cuts = _values_and_cuts(evidence, side, lenses, old)
    fit, limit = fit_truncated(values, cuts), truncated_limit(values, cuts, 1 - share, aims.confidence)
    if fit is None or limit is None:
        why = "every lens passed the old limit, and their values pile up at it: how many are missing cannot be told"
        return _refuse(len(lenses), f"{why}; measure lenses before their repair is accepted, too")
    probability = shape_probability(untruncated_scores(values, cuts, fit))
    if probability is not None and probability < LEAST_NORMAL:
        why = (
            f"every lens passed the old limit, and the {len(lenses)} there are do not look like a normal population cut"
            f" off there (Shapiro-Wilk test: probability {probability:.2g}): how many are missing cannot be told"
        )
        return _refuse(len(lenses), f"{why}; measure lenses before their repair is accepted, too")
    bound = limit + shift
    says = (
        f"only lenses that passed the old limit are there: taken for a normal population of which it cut off "
        f"{100 * fit.cut:.1f} %; holds {100 * share:.3g} % of healthy lenses at most"
    )
    number = round_lax(evidence.sides[side], bound, float(values.std(ddof=1)))
    return Proposal(method="truncated_normal", bound=bound, number=number, count=len(lenses), says=says)


def _propose_together(
    evidence: Evidence, sides: Sequence[int], lenses: Sequence[Lens], each: float, aims: Aims
) -> Mapping[int, Proposal]:
    """Propose for several sides: without assumption where there are lenses enough, else normal."""
    columns = {side: tuned_values(evidence, side, lenses, aims) for side in sides}
    share = each * len(sides)
    needed = count_needed(len(sides), 1 - share, aims.confidence)
    if aims.method != "normal" and len(lenses) >= needed:
        return _propose_free(evidence, sides, columns, share, aims)
    if aims.method == "distribution_free":
        many = f"{len(sides)} sides of limits together" if len(sides) > 1 else "a limit"
        why = f"too few lenses: {len(lenses)}, and {needed} are needed for {many} without assumption of a shape"
        return {side: _refuse(len(lenses), why) for side in sides}
    odd = [side for side in sides if _is_odd(columns[side])]
    least = least_share(len(lenses), len(odd), aims.confidence) if odd else 0.0
    if aims.method == "normal" or least >= MOST_OF_SHARE * share:
        found = {side: _refuse_odd(columns[side], needed) for side in odd}
        rest = each
    else:
        found = dict(_propose_free(evidence, odd, columns, least, aims)) if odd else {}
        rest = (share - least) / max(1, len(sides) - len(odd))
    normal = [side for side in sides if side not in odd]
    for side in normal:
        paired = _paired(evidence, normal, side)
        found[side] = _propose_normal(evidence, side, columns[side], rest, aims, needed, paired=paired)
    return found


def _is_odd(values: Array) -> bool:
    """Say whether a sample is surely not normal."""
    probability = shape_probability(values)
    return probability is not None and probability < LEAST_NORMAL


def _refuse_odd(values: Array, needed: int) -> Proposal:
    why = (
        f"{len(values)} lenses are too few for limits without assumption of a shape ({needed} needed), and they are "
        f"not spread normally (Shapiro-Wilk test: probability {shape_probability(values):.2g})"
    )
    return _refuse(len(values), why)


def _paired(evidence: Evidence, sides: Iterable[int], side: int) -> bool:
    """Say whether the other end of the same limit is proposed for in the same way."""
    place = evidence.sides[side].place
    return sum(evidence.sides[other].place == place for other in sides) == 2


def _propose_free(
    evidence: Evidence, sides: Sequence[int], columns: Mapping[int, Array], share: float, aims: Aims
) -> Mapping[int, Proposal]:
    values = np.column_stack([columns[side] for side in sides])
    cut = max(len(sides), most_cut(len(values), 1 - share, aims.confidence))
    bounds = cut_blocks(values, cut)
    together = f"{len(sides)} such sides together hold" if len(sides) > 1 else "it holds"
    says = (
        f"no shape assumed: {cut} of {len(values)} lenses lie at or beyond the limits, so that {together} "
        f"{100 * share:.3g} % of healthy lenses at most"
    )
    return {
        side: Proposal(
            method="distribution_free",
            bound=float(bounds[place]),
            number=round_lax(evidence.sides[side], float(bounds[place]), float(values[:, place].std(ddof=1))),
            count=len(values),
            says=says,
        )
        for place, side in enumerate(sides)
    }


def _propose_normal(
    evidence: Evidence, side: int, values: Array, share: float, aims: Aims, needed: int, *, paired: bool
) -> Proposal:
    looks, probability = describe(values), shape_probability(values)
    if paired:
        factor = two_sided_factor(len(values), 1 - 2 * share, aims.confidence)
    else:
        factor = one_sided_factor(len(values), 1 - share, aims.confidence)
    bound = looks.mean - factor * looks.sigma
    tested = "the same value each time" if probability is None else f"Shapiro-Wilk test: probability {probability:.2g}"
    says = (
        f"a normal spread is assumed ({tested}), as {needed} lenses would be needed without; {factor:.3f} standard "
        f"deviations from the mean, so that it holds {100 * share:.3g} % of healthy lenses at most"
    )
    number = round_lax(evidence.sides[side], bound, looks.sigma)
    return Proposal(method="normal", bound=bound, number=number, count=len(values), says=says, factor=factor)
