"""The tuning of one card from the tickets in the ledger: a pure function."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from glasswright.statistics.capability import capability, capability_interval
from glasswright.statistics.robust import describe
from glasswright.tuning.aims import SIGMAS
from glasswright.tuning.changes import find_changes
from glasswright.tuning.curve import trace_curve
from glasswright.tuning.evidence import collect
from glasswright.tuning.proposing import Proposal, propose
from glasswright.tuning.risks import find_risk, pass_probability, pass_share
from glasswright.tuning.sides import sides_of
from glasswright.tuning.spread import free_spread
from glasswright.tuning.typed import apply_typed, with_number
from glasswright.waiting import watch_progress

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from glasswright.judging.card import Card
    from glasswright.judging.cards import CardFile
    from glasswright.judging.judge import JudgingStand
    from glasswright.ledger import TicketState
    from glasswright.statistics.robust import SampleSummary
    from glasswright.tuning.aims import Aims
    from glasswright.tuning.changes import Changed
    from glasswright.tuning.curve import Curve
    from glasswright.tuning.evidence import Evidence, Marks
    from glasswright.tuning.risks import Risk
    from glasswright.tuning.sides import Side
    from glasswright.tuning.spread import FreedSpread
    from glasswright.tuning.typed import TypedLimit


@dataclass(frozen=True, slots=True, kw_only=True)
class SideReport:
    """The report on one side of one limit. Values are oriented so that lower is worse; `side.turn` converts them
    back."""

    side: Side
    old_number: float | None
    """The card's current limit; None if a number was entered for a side that it did not have."""
    proposal: Proposal
    outliers: tuple[str, ...]
    """Tickets of healthy lenses that are outliers, for a person to look at; they still count."""
    summary: SampleSummary | None
    """Summary statistics of the healthy lenses; None if none has a value."""
    spread: FreedSpread | None
    """Corrected spread; None for fewer than two values."""
    capable: float | None
    """Capability (C_pk) of the lenses at the new limit."""
    capable_interval: tuple[float, float] | None
    risk: Risk | None
    """Risk at the new limit, or at the old one if there is no new one; None without values."""
    risk_before: Risk | None
    """Risk at the old limit; None if there was none."""
    bad_passed: tuple[float, ...]
    """Fraction that passes, at the limit of `risk`, of lenses that are bad by 3, 4, 5 and 6 standard deviations; empty
    without values."""
    must_hold_passed: float | None
    """Probability that a lens at the card's `must_hold` value passes; None without such a value."""
    curve: Curve | None
    changed: tuple[Changed, ...]
    """Past tickets whose verdict on this limit would change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """The tuning of a card."""

    card: Card
    """The current card."""
    new_card: Card
    """The card with the new numbers."""
    aims: Aims
    evidence: Evidence
    sides: tuple[SideReport, ...]
    risk: Risk | None
    """Risk of all sides together at the new limits."""
    risk_before: Risk | None
    risk_lenses: int
    """Number of lenses with a value on every side, from which `risk` is computed."""
    changed: tuple[Changed, ...]
    """Past tickets with any changed verdict."""

    @property
    def refused(self) -> bool:
        """Whether no statement is possible about any limit."""
        return all(each.proposal.method == "refused" and not each.proposal.to_inspect for each in self.sides)


def tune_card(
    states: Sequence[TicketState],
    marks: Marks,
    file: CardFile,
    stand: JudgingStand,
    aims: Aims,
    typed: Sequence[TypedLimit] = (),
    since: date | None = None,
) -> Tuning:
    """Tune the limits of a card, or evaluate limits entered by hand.

    Parameters
    ----------
    states
        Current states of the model's tickets, with the measurements that the card names.
    marks
        Other facts about the tickets.
    typed
        If not empty, nothing is tuned: these numbers replace the card's.
    since
        Nights before this one do not count.
    """
    card = file.card
    sides = sides_of(apply_typed(card, typed))
    evidence = collect(states, marks, card, sides, stand, since)
    proposals = _take_typed(sides, typed) if typed else propose(evidence, aims)
    new_card = _apply(card, sides, proposals)
    changed = find_changes(states, file, replace(file, card=new_card), stand)
    number_sides = range(len(sides))
    reports = tuple(
        _report_side(evidence, number, card, proposals[number], changed)
        for number in watch_progress(number_sides, len(sides), "working out limits")
    )
    known = [number for number in number_sides if reports[number].risk is not None]
    before = [number for number in known if _old_bound(card, sides[number]) is not None]
    return Tuning(
        card=card,
        new_card=new_card,
        aims=aims,
        evidence=evidence,
        sides=reports,
        risk=_risk_together(evidence, known, [_bound(card, sides[n], proposals[n]) for n in known]),
        risk_before=_risk_together(evidence, before, [_old_bound(card, sides[n]) for n in before]),
        risk_lenses=len(evidence.complete(known)) if known else 0,
        changed=changed,
    )


def _take_typed(sides: Sequence[Side], typed: Sequence[TypedLimit]) -> tuple[Proposal, ...]:
    numbers = {(each.place, each.end): each.number for each in typed}
    return tuple(_typed_proposal(side, numbers.get((side.place, side.end))) for side in sides)


def _typed_proposal(side: Side, number: float | None) -> Proposal:
    if number is None:
        return Proposal(method="kept", bound=None, number=None, count=0, reason="as in the card")
    return Proposal(method="typed", bound=side.turn(number), number=number, count=0, reason="entered by hand")


def _apply(card: Card, sides: Sequence[Side], proposals: Sequence[Proposal]) -> Card:
    limits = list(card.limits)
    for side, proposal in zip(sides, proposals, strict=True):
        if proposal.number is not None:
            limits[side.place] = with_number(limits[side.place], side.end, proposal.number)
    return card.model_copy(update={"limits": tuple(limits)})


def _old_bound(card: Card, side: Side) -> float | None:
    number = getattr(card.limits[side.place], side.end)
    return None if number is None else side.turn(number)


def _bound(card: Card, side: Side, proposal: Proposal) -> float | None:
    return side.turn(proposal.number) if proposal.number is not None else _old_bound(card, side)


def _risk_together(evidence: Evidence, sides: Sequence[int], bounds: Sequence[float | None]) -> Risk | None:
    lenses = evidence.complete(sides)
    if not sides or not lenses:
        return None
    return find_risk(evidence, sides, np.array(bounds, dtype=np.float64), lenses)


def _report_side(
    evidence: Evidence, number: int, card: Card, proposal: Proposal, changed: Sequence[Changed]
) -> SideReport:
    side = evidence.sides[number]
    lenses = evidence.complete([number])
    values = evidence.values(number, lenses)
    spread = free_spread(values, evidence.uncertainties(number, lenses)) if len(lenses) > 1 else None
    bound, old = _bound(card, side, proposal), _old_bound(card, side)
    capable = capability(spread.mean, spread.sigma, bound, None) if spread is not None else None
    summary = describe(values) if len(lenses) else None
    several = len(lenses) > 1
    seen = several and bound is not None
    return SideReport(
        side=side,
        old_number=getattr(card.limits[side.place], side.end),
        proposal=proposal,
        outliers=tuple(lenses[place].ticket for place in summary.outliers) if summary else (),
        summary=summary,
        spread=spread,
        capable=capable,
        capable_interval=capability_interval(capable, len(lenses)) if capable is not None else None,
        risk=_risk_together(evidence, [number], [bound]) if seen else None,
        risk_before=_risk_together(evidence, [number], [old]) if several and old is not None else None,
        bad_passed=tuple(pass_share(evidence, number, lenses, bound, each) for each in SIGMAS)
        if several and bound is not None
        else (),
        must_hold_passed=pass_probability(evidence, number, lenses, bound, side.must_hold)
        if several and bound is not None and side.must_hold is not None
        else None,
        curve=trace_curve(evidence, number, lenses, bound) if several and bound is not None else None,
        changed=tuple(each for each in changed if any(place == side.place for place, _, _ in each.limits)),
    )
