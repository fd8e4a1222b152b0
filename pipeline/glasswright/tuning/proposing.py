"""New numbers for the limits of a card, from the lenses in the ledger.

A number is proven if there are enough lenses for a distribution-free limit; lenses that the current card holds count as
held. With fewer lenses, a number is an estimate and states how many lenses would prove it. No number lets a lens pass
that the current limit holds, unless a person found that lens sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import t

from glasswright.formatting import format_count
from glasswright.statistics.order_limits import count_needed, cut_blocks, most_cut
from glasswright.tuning.aims import FEWEST
from glasswright.tuning.examining import detection_limit, find_objection, has_floor, name_tickets

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from glasswright.tuning.aims import Aims
    from glasswright.tuning.evidence import Evidence, Lens
    from glasswright.tuning.sides import Side

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A number for one side of a limit, or why there is none."""

    method: str
    """`distribution_free`, `not_proven`, `detection_limit`, or `typed` (entered by hand); without a number `kept` or
    `refused`."""
    bound: float | None
    """The computed limit, oriented so that lower is worse; None without a number."""
    number: float | None
    """The limit in the card's units, rounded to the lax side."""
    count: int
    """Number of lenses that it is based on."""
    reason: str
    """Its basis, or why there is none, in a sentence."""
    to_inspect: tuple[str, ...] = ()
    """Tickets whose lenses have to be looked at before it can be otherwise."""

    @property
    def proven(self) -> bool:
        """Whether the aims are met with the stated confidence."""
        return self.method == "distribution_free"


def propose(evidence: Evidence, aims: Aims) -> tuple[Proposal, ...]:
    """Return a proposal for every side of the evidence.

    Parameters
    ----------
    evidence
        The lenses, with their values on every side.
    aims
        The requirements, for all sides of the card together.
    """
    numbers = range(len(evidence.sides))
    found = {side: _refuse(_count(evidence, side), why) for side in numbers if (why := _why_too_few(evidence, side))}
    known = [side for side in numbers if side not in found]
    lenses = evidence.complete(known)
    if known and len(lenses) < FEWEST:
        why = f"too few lenses: {len(lenses)} measured for every limit, {FEWEST} are needed"
        return tuple(found.get(side) or _refuse(len(lenses), why) for side in numbers)
    for side in known:
        proposal = _without_number(evidence, side, lenses, len(known))
        if proposal is not None:
            found[side] = proposal
    rest = [side for side in known if side not in found]
    if rest:
        found |= _propose_together(evidence, rest, lenses, aims)
    return tuple(found[side] for side in numbers)


def round_lax(side: Side, bound: float, spread: float, strictly_above: float = -math.inf) -> float:
    """Return a bound in the card's units, rounded to the side that holds fewer lenses.

    Parameters
    ----------
    spread
        The bound is rounded to a twentieth of this or finer.
    strictly_above
        Oriented value that the rounded number must exceed.
    """
    decimals = max(0, math.ceil(-math.log10(spread / 20))) if spread > 0 else 6
    while decimals < 12 and math.floor(bound * 10**decimals) / 10**decimals <= strictly_above:
        decimals += 1
    number = math.floor(bound * 10**decimals) / 10**decimals
    return round(side.turn(number), decimals) + 0.0


def _tuned_values(evidence: Evidence, side: int, lenses: Sequence[Lens], aims: Aims) -> Array:
    """Return the values minus the guard bands (plus, if review does not count as held), compared with the limit."""
    band = evidence.bands(side, lenses)
    return evidence.values(side, lenses) + (-band if aims.review_is_held else band)


def _count(evidence: Evidence, side: int) -> int:
    return sum(lens.readings[side].known for lens in evidence.healthy)


def _why_too_few(evidence: Evidence, side: int) -> str:
    count = _count(evidence, side)
    if count >= FEWEST:
        return ""
    unread = [lens.readings[side].why for lens in evidence.healthy if not lens.readings[side].known]
    missing = f"; {len(unread)} have none, for example: {unread[0]}" if unread else ""
    if evidence.held and not unread:
        missing = f"; {len(evidence.held)} are held by the current card and not inspected"
    elif evidence.left_out and not unread:
        left_out = format_count(len(evidence.left_out), "ticket")
        missing = f"; left out: {left_out}, for example: {evidence.left_out[0].why}"
    have = "1 has a value" if count == 1 else f"{count} have a value"
    return f"too few lenses: {have}, {FEWEST} are needed for any limit{missing}"


def _refuse(count: int, why: str, to_inspect: tuple[str, ...] = (), method: str = "refused") -> Proposal:
    return Proposal(method=method, bound=None, number=None, count=count, reason=why, to_inspect=to_inspect)


def _without_number(evidence: Evidence, side: int, lenses: Sequence[Lens], sides: int) -> Proposal | None:
    """Return the proposal for a side with an objection or a floor; None for others."""
    objection = find_objection(evidence, side, lenses, sides)
    if objection is not None:
        method = "kept" if objection.kept else "refused"
        return _refuse(len(lenses), objection.reason, objection.to_inspect, method)
    return _propose_floor(evidence, side, lenses) if has_floor(evidence, side, lenses) else None


def _propose_floor(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> Proposal:
    """Return a proposal for a measure that is at its floor for most lenses: the detection limit.

    If some lenses exceed the detection limit, they must be inspected first: a limit from these few would not represent
    healthy lenses.
    """
    bound = detection_limit(evidence, side, lenses)
    own = evidence.sides[side]
    if math.isnan(bound):
        why = "most lenses have the same best value, and without an uncertainty the detection limit is unknown"
        return _refuse(len(lenses), why, method="kept")
    seen = [lens.ticket for lens in lenses if lens.readings[side].value - lens.readings[side].band < bound]
    if seen:
        needed = math.ceil(len(lenses) * count_needed(1, 0.95, 0.95) / len(seen))
        why = (
            f"{len(seen)} of {format_count(len(lenses), 'lens')} beyond the detection "
            f"limit, {own.turn(bound):.3g}: they are too "
            f"few for a limit; inspect them ({name_tickets(seen)}); if they are sound, about {needed} lenses in all "
            "would suffice to set one"
        )
        return _refuse(len(lenses), why, tuple(seen), "kept")
    if own.bound is not None and own.bound >= bound:
        closer = "tighter than" if own.bound > bound else "at"
        why = f"the current limit is {closer} the detection limit, {own.turn(bound):.3g}: none is proposed"
        return _refuse(len(lenses), why, method="kept")
    number = round_lax(own, bound, abs(bound - float(evidence.values(side, lenses).max())))
    reason = f"none of {len(lenses)} lenses is beyond the detection limit, which is proposed; not proven"
    return _hold_back(
        evidence, side, Proposal(method="detection_limit", bound=bound, number=number, count=len(lenses), reason=reason)
    )


def _propose_together(
    evidence: Evidence, sides: Sequence[int], lenses: Sequence[Lens], aims: Aims
) -> Mapping[int, Proposal]:
    """Return proposals for several sides: distribution-free with enough lenses, else estimates."""
    columns = np.column_stack([_tuned_values(evidence, side, lenses, aims) for side in sides])
    waiting, total = len(evidence.held), len(lenses) + len(evidence.held)
    needed = count_needed(len(sides), 1 - aims.held, aims.strict_confidence)
    if total < needed and (aims.method == "distribution_free" or waiting):
        also = f"; {_format_held(evidence)}" if waiting else ""
        many = f"{len(sides)} sides of limits together" if len(sides) > 1 else "a limit"
        why = f"too few lenses: {total}, and {needed} are needed for {many}, distribution-free{also}"
        method = "kept" if aims.method == "auto" else "refused"
        return {side: _refuse(len(lenses), why, _names(evidence.held), method) for side in sides}
    if total < needed:
        made = [_estimate(evidence, side, columns[:, n], aims, needed, len(sides)) for n, side in enumerate(sides)]
        return {side: _hold_back(evidence, side, each) for side, each in zip(sides, made, strict=True)}
    budget = most_cut(total, 1 - aims.held, aims.strict_confidence) - waiting
    if budget < len(sides):
        why = f"the current limits already hold as many lenses as allowed: {_format_held(evidence)}"
        return {side: _refuse(len(lenses), why, _names(evidence.held), "kept") for side in sides}
    return _propose_free(evidence, sides, lenses, columns, budget, aims)


def _format_held(evidence: Evidence) -> str:
    held = _names(evidence.held)
    return f"held by the current card and not inspected: {len(held)} ({name_tickets(held)}): `glasswright inspected`"


def _names(lenses: Sequence[Lens]) -> tuple[str, ...]:
    return tuple(lens.ticket for lens in lenses)


def _propose_free(
    evidence: Evidence, sides: Sequence[int], lenses: Sequence[Lens], columns: Array, budget: int, aims: Aims
) -> Mapping[int, Proposal]:
    bounds = cut_blocks(columns, budget)
    waiting = len(evidence.held)
    also = f", {waiting} more are held by the current card" if waiting else ""
    together = f"{len(sides)} such sides together hold" if len(sides) > 1 else "it holds"
    reason = (
        f"distribution-free: {budget} of {len(lenses)} lenses are at or beyond the limits{also}, so that {together} "
        f"{100 * aims.held:.3g} % of healthy lenses at most, with confidence {aims.confidence:g}"
    )
    found = {}
    for place, side in enumerate(sides):
        bound, spread = float(bounds[place]), float(columns[:, place].std(ddof=1))
        number = round_lax(evidence.sides[side], bound, spread)
        proposal = Proposal(method="distribution_free", bound=bound, number=number, count=len(lenses), reason=reason)
        found[side] = _hold_back(evidence, side, proposal)
    limits = np.array([_final_bound(evidence, side, found[side]) for side in sides])
    moved = sum(not each.proven for each in found.values())
    beyond = int((columns <= limits).any(axis=1).sum()) + waiting + moved
    if moved and beyond > most_cut(len(lenses) + waiting, 1 - aims.held, aims.strict_confidence):
        why = "; not proven, because another limit stays tighter than computed"
        found = {
            side: replace(each, method="not_proven", reason=each.reason.partition(", so that")[0] + why)
            if each.proven
            else each
            for side, each in found.items()
        }
    return found


def _final_bound(evidence: Evidence, side: int, proposal: Proposal) -> float:
    if proposal.bound is not None:
        return proposal.bound
    bound = evidence.sides[side].bound
    return -math.inf if bound is None else bound


def _estimate(evidence: Evidence, side: int, values: Array, aims: Aims, needed: int, sides: int) -> Proposal:
    """Return an estimate from too few lenses: a normal prediction limit for the next lens."""
    count, spread = len(values), float(values.std(ddof=1))
    factor = float(t.ppf(1 - aims.held / sides, count - 1)) * math.sqrt(1 + 1 / count)
    bound = float(values.mean()) - factor * spread
    now = evidence.sides[side].bound
    if now is not None:  # an estimate holds no lens that somebody found sound
        bound = min([bound, *_held_by(side, evidence.healthy, now).values()])
    reason = (
        f"an estimate from {count} lenses, assuming a normal distribution; {needed} lenses would prove a "
        "distribution-free limit"
    )
    number = round_lax(evidence.sides[side], bound, spread)
    return Proposal(method="not_proven", bound=bound, number=number, count=count, reason=reason)


def _hold_back(evidence: Evidence, side: int, proposal: Proposal) -> Proposal:
    """Restrict a number so that it does not release what the shop holds, or what the card says must be held."""
    own, bound = evidence.sides[side], proposal.bound
    if bound is None or proposal.number is None:
        return proposal
    basis = proposal.reason.partition(", so that")[0]
    if own.must_hold is not None and own.turn(proposal.number) < own.must_hold:
        bound = own.must_hold
        reason = f"the card says that a lens with {own.turn(bound):g} must be held; not proven; without that: {basis}"
        proposal = replace(proposal, method="not_proven", bound=bound, number=own.turn(bound), reason=reason)
    now, number = own.bound, proposal.number
    if now is None or number is None or own.turn(number) >= now:
        return proposal
    if bound >= now:
        return replace(proposal, number=own.number)
    return _loosen(evidence, side, proposal, now, basis)


def _loosen(evidence: Evidence, side: int, proposal: Proposal, now: float, basis: str) -> Proposal:
    """Relax the current limit only as far as held lenses were found sound, and not past one that was not."""
    own, bound = evidence.sides[side], -math.inf if proposal.bound is None else proposal.bound
    between = _held_by(side, (*evidence.held, *evidence.bad), now)
    barrier = max(between.values(), default=-math.inf)
    sound = [value for value in _held_by(side, evidence.healthy, now).values() if value > barrier]
    if not sound:
        ask = tuple(ticket for ticket in between if ticket in _names(evidence.held))
        look = f"inspect {name_tickets(ask)} (`glasswright inspected`)" if ask else "there is none to inspect"
        reason = (
            f"{basis}: that would be {own.turn(bound):.4g}, laxer than now, but no lens that the limit holds was found "
            f"sound: {look}"
        )
        return replace(proposal, method="kept", bound=None, number=None, reason=reason, to_inspect=ask)
    lowest = max(bound, min(sound))
    number = round_lax(own, lowest, abs(now - lowest), barrier)
    if lowest == bound:
        return replace(proposal, number=number)
    reason = f"{basis}; laxer than now as far as lenses that the limit holds were found sound; not proven"
    return replace(proposal, method="not_proven", bound=lowest, number=number, reason=reason)


def _held_by(side: int, lenses: Sequence[Lens], bound: float) -> dict[str, float]:
    """Return ticket -> value minus guard band of the lenses that a bound holds, nearest first."""
    known = [lens for lens in lenses if lens.readings[side].known]
    held = {lens.ticket: lens.readings[side].value - lens.readings[side].band for lens in known}
    return dict(sorted((each for each in held.items() if each[1] < bound), key=lambda each: -each[1]))
