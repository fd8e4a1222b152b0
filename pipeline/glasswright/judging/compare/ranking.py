"""Ranks several copies of a model by the measures that their card limits, with the significant differences.

A difference is significant if the probability that any of all comparisons exceeds its bound by chance is at most 0.05:
the bound is Student's t at 0.05 divided by the number of comparisons (Bonferroni's inequality;
Dunn, Journal of the American Statistical Association 56 (1961) 52, from memory), with effective degrees of freedom
(JCGM 100:2008, G.4.1).
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final

from glasswright.judging.compare.limits import find_limits
from glasswright.judging.compare.sides import Place, Visit, find_unlike, format_at, is_done, sort_key
from glasswright.judging.decision import margin_of
from glasswright.judging.judge import find_uncertainty
from glasswright.statistics.freedom import effective_freedom, quantile_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.judging.card import Card
    from glasswright.judging.decision import Uncertainty

RISK: Final = 0.05
"""Probability that any difference in the whole ranking is significant by chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedMeasure:
    """One measure at one setting, of all copies that have it."""

    measure: str
    at: str
    values: tuple[tuple[str, float, float], ...]
    """(ticket, value, standard uncertainty), the best copy first."""
    better: tuple[tuple[str, str], ...]
    """(ticket, ticket) where the first is significantly better than the second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """Copies of a model, the best first."""

    order: tuple[tuple[int, str], ...]
    """(rank, ticket), by the number of significantly better minus significantly worse comparisons."""
    better: Mapping[str, int]
    worse: Mapping[str, int]
    measures: tuple[RankedMeasure, ...]
    comparisons: int
    factors: tuple[float, float]
    """Smallest and largest bound in standard uncertainties."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Number:
    ticket: str
    value: float
    margin: float
    uncertainty: Uncertainty
    caveats: frozenset[str]


def rank_visits(visits: Sequence[Visit], card: Card) -> Ranking:
    """Rank copies of a model by every measure that the card limits at a setting which they share.

    Measures without an uncertainty, such as counts, are not used. Pairs from two stands or bodies, and pairs in which
    only one number has a caveat, are not compared.
    """
    unlike = {(one.name, other.name): find_unlike(one, other) for one, other in combinations(visits, 2)}
    groups = {key: numbers for key, numbers in _collect(visits, card).items() if len(numbers) > 1}
    pairs = {
        key: [
            pair
            for pair in combinations(numbers, 2)
            if not unlike[pair[0].ticket, pair[1].ticket] and pair[0].caveats == pair[1].caveats
        ]
        for key, numbers in groups.items()
    }
    count = sum(map(len, pairs.values()))
    better, worse = Counter[str](), Counter[str]()
    factors: list[float] = []
    measures: list[RankedMeasure] = []
    for (measure, at), numbers in groups.items():
        found = []
        for one, other in pairs[measure, at]:
            u, factor = _weigh(one.uncertainty, other.uncertainty, count)
            factors.append(factor)
            if abs(one.value - other.value) > factor * u and one.margin != other.margin:
                first, second = (one, other) if one.margin > other.margin else (other, one)
                found.append((first.ticket, second.ticket))
                better[first.ticket] += 1
                worse[second.ticket] += 1
        best_first = sorted(numbers, key=lambda each: -each.margin)
        values = tuple((each.ticket, each.value, each.uncertainty.known) for each in best_first)
        measures.append(RankedMeasure(measure=measure, at=at, values=values, better=tuple(found)))
    return Ranking(
        order=_rank([visit.name for visit in visits], better, worse),
        better=better,
        worse=worse,
        measures=tuple(measures),
        comparisons=count,
        factors=(min(factors, default=math.nan), max(factors, default=math.nan)),
        notes=tuple(dict.fromkeys(note for notes in unlike.values() for note in notes)),
    )


def _collect(visits: Sequence[Visit], card: Card) -> dict[tuple[str, str], list[_Number]]:
    """Return (measure, setting) -> the number of each copy that has one with its uncertainty."""
    places = [visit.places() for visit in visits]
    shared: Iterable[Place] = sorted({place for each in places for place in each}, key=sort_key)
    found: dict[tuple[str, str], list[_Number]] = {}
    for place in shared:
        for visit, outcomes in zip(visits, places, strict=True):
            outcome = outcomes.get(place)
            if outcome is None or not is_done(outcome):
                continue
            for path, each in outcome.measured.items():
                limits = find_limits(card, place, path)
                if not limits or each.value is None or not math.isfinite(each.value):
                    continue
                uncertainty = find_uncertainty(visit.stand, f"{place[0]}.{path}", each, outcome)
                if each.u is None or not each.u >= 0 or uncertainty.total is None or not uncertainty.total < math.inf:
                    continue
                number = _Number(
                    ticket=visit.name,
                    value=each.value,
                    margin=margin_of(each.value, limits[0].min, limits[0].max),
                    uncertainty=uncertainty,
                    caveats=frozenset(outcome.caveats),
                )
                found.setdefault((f"{place[0]}.{path}", format_at(place)), []).append(number)
    return found


def _weigh(one: Uncertainty, other: Uncertainty, count: int) -> tuple[float, float]:
    """Return the standard uncertainty of a difference, and its bound in standard uncertainties.

    The stand's part of both sides is one estimate, so its degrees of freedom count once.
    """
    stand = ((one.stand or 0.0) ** 2 + (other.stand or 0.0) ** 2, min(one.stand_freedom, other.stand_freedom))
    parts = [((one.own or 0.0) ** 2, one.own_freedom), ((other.own or 0.0) ** 2, other.own_freedom), stand]
    freedom = effective_freedom(parts)
    freedom = max(1.0, math.floor(freedom)) if math.isfinite(freedom) else math.inf
    return math.sqrt(sum(variance for variance, _ in parts)), quantile_of(1 - RISK / (2 * count), freedom)


def _rank(tickets: Sequence[str], better: Counter[str], worse: Counter[str]) -> tuple[tuple[int, str], ...]:
    """Number copies from 1; copies without a difference share a rank."""
    score = {ticket: better[ticket] - worse[ticket] for ticket in tickets}
    ordered = sorted(tickets, key=lambda ticket: -score[ticket])
    return tuple((1 + sum(score[each] > score[ticket] for each in tickets), ticket) for ticket in ordered)
