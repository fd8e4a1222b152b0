"""The limits on a ticket's page: by step, then by measure, with a row for each setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.ledger.verdict import Verdict, fold_part
from glasswright.reports.pages.formats import format_limits, format_measure, format_step, format_unit, format_value
from glasswright.reports.pages.strip import KINDS, draw_strip, lay_scale

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence, Set

    from glasswright.judging.card import Card
    from glasswright.ledger.verdict import Judgement, LimitVerdict


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRow:
    """One verdict, formatted."""

    at: str
    strip: str
    value: str
    limits: str
    verdict: Verdict
    kind: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitGroup:
    """All verdicts on one measure, with a common scale."""

    measure: str
    name: str
    unit: str
    rows: tuple[LimitRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitStep:
    """All limits on the fields of one step."""

    step: str
    name: str
    verdict: Verdict
    kind: str
    groups: tuple[LimitGroup, ...]
    plain: tuple[tuple[str, str, LimitRow], ...]
    """(name, unit, row) of measures without uncertainty: counts and hand checks."""


def arrange_limits(judgement: Judgement | None, card: Card | None) -> tuple[LimitStep, ...]:
    """Return the verdicts of a judgement by step, in the card's order."""
    limits = card.limits if card is not None else ()
    guarded = {each.measure for each in limits if card is not None and card.rule_of(each) == "guarded"}
    by_step: dict[str, dict[str, list[LimitVerdict]]] = {}
    for each in judgement.verdicts if judgement else ():
        by_step.setdefault(each.measure.partition(".")[0], {}).setdefault(each.measure, []).append(each)
    return tuple(_arrange_step(step, measures, guarded) for step, measures in by_step.items())


def _arrange_step(step: str, measures: Mapping[str, Sequence[LimitVerdict]], guarded: Set[str]) -> LimitStep:
    verdict = fold_part(each.verdict for verdicts in measures.values() for each in verdicts)
    groups = tuple(_arrange_measure(measure, verdicts) for measure, verdicts in measures.items())
    bare = {measure for measure, each in measures.items() if measure not in guarded and all(v.u is None for v in each)}
    return LimitStep(
        step=step,
        name=format_step(step),
        verdict=verdict,
        kind=KINDS[verdict],
        groups=tuple(group for group in groups if group.measure not in bare),
        plain=tuple((group.name, group.unit, row) for group in groups if group.measure in bare for row in group.rows),
    )


def _arrange_measure(measure: str, verdicts: Sequence[LimitVerdict]) -> LimitGroup:
    scale = lay_scale(verdicts)
    rows = tuple(
        LimitRow(
            at=each.at,
            strip=draw_strip(each, scale, with_axis=each is verdicts[-1]),
            value=format_value(each.value, each.u),
            limits=format_limits(each.lower, each.upper),
            verdict=each.verdict,
            kind=KINDS[each.verdict],
            reason=each.reason,
        )
        for each in verdicts
    )
    return LimitGroup(measure=measure, name=format_measure(measure), unit=format_unit(measure), rows=rows)
