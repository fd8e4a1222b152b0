"""Comparison of two visits: the change of each measure, and whether it exceeds the uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from glasswright.judging.compare.limits import find_limits, find_towards
from glasswright.judging.compare.sides import (
    Place,
    Visit,
    find_notes,
    find_unlike,
    format_at,
    is_done,
    sort_key,
    why_missing,
)
from glasswright.judging.judge import find_uncertainty

if TYPE_CHECKING:
    from glasswright.judging.card import Card
    from glasswright.ledger.records import KeptOutcome
    from glasswright.plugin.measurements import Measured

COVERAGE: Final = 2.0
"""Coverage factor k: a change is significant if it exceeds k standard uncertainties of the difference (JCGM 100:2008,
6.2.1)."""
BY_CHANCE: Final = math.erfc(COVERAGE / math.sqrt(2))
"""Fraction of unchanged numbers that exceed `COVERAGE` by chance: 4.6 %."""
EXACT_UNITS: Final = frozenset({"", "count"})
"""Units without uncertainty (counts, yes or no): any difference is a change."""


class ChangeKind(StrEnum):
    """Significance of a change."""

    CHANGED = "changed"
    """It exceeds the expanded uncertainty."""
    WITHIN = "within"
    """It is within the expanded uncertainty."""
    UNKNOWN = "unknown"
    """Both sides have a number, but the numbers are not comparable."""
    MISSING = "missing"
    """One side has no number."""
    NEITHER = "neither"
    """No side has a number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One measure at one setting on both sides; the change is the second minus the first."""

    measure: str
    at: str
    kind: ChangeKind
    reason: str
    first: float | str | None = None
    second: float | str | None = None
    unit: str = ""
    change: float | None = None
    u: float | None = None
    """Standard uncertainty of the change."""
    has_limit: bool = False
    """Whether the card has a limit on it."""
    towards: str = ""
    """`better` or `worse` by the card's limit; empty if there is none, or if nothing changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two tickets compared."""

    notes: tuple[str, ...]
    """Differences between the two visits besides the lens."""
    changes: tuple[Change, ...]

    @property
    def by_chance(self) -> float:
        """Expected number of measures that seem changed by chance."""
        judged = [each for each in self.changes if each.u and each.kind in (ChangeKind.CHANGED, ChangeKind.WITHIN)]
        return BY_CHANCE * len(judged)


def compare_visits(first: Visit, second: Visit, card: Card | None) -> Comparison:
    """Compare two visits: of one lens before and after, or of two copies of a model.

    The uncertainty of a change combines the uncertainties of both numbers, each as in judging: its own, the stand's
    reproducibility (the lens was mounted again), and the repeatability if the shots are few. A measure of only one side
    is listed as missing, with the reason.

    Parameters
    ----------
    card
        Its limits define which direction is better; None for no card.
    """
    unlike = find_unlike(first, second)
    left, right = first.places(), second.places()
    changes = []
    for place in sorted({*left, *right}, key=sort_key):
        one, other = left.get(place), right.get(place)
        why = why_missing(place, ((first, one), (second, other)))
        if why or one is None or other is None:
            kind = ChangeKind.MISSING if is_done(one) or is_done(other) else ChangeKind.NEITHER
            changes.append(Change(measure=place[0], at=format_at(place), kind=kind, reason=why))
            continue
        for path in sorted({*one.measured, *other.measured}):
            pair = Pair(place=place, path=path, first=one, second=other, visits=(first, second), unlike=unlike)
            changes.append(compare_pair(pair, card))
    return Comparison(notes=(*unlike, *find_notes(first, second)), changes=tuple(changes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One measure on both sides."""

    place: Place
    path: str
    first: KeptOutcome
    second: KeptOutcome
    visits: tuple[Visit, Visit]
    unlike: tuple[str, ...]
    """Why numbers of the two visits are not comparable, whatever their uncertainty."""

    @property
    def measure(self) -> str:
        """`step.field`."""
        return f"{self.place[0]}.{self.path}"

    @property
    def measured(self) -> tuple[Measured | None, Measured | None]:
        """The measurements of both sides."""
        return self.first.measured.get(self.path), self.second.measured.get(self.path)


def compare_pair(pair: Pair, card: Card | None) -> Change:
    """Compare one measure that both sides may have."""
    one, other = pair.measured
    at = format_at(pair.place)
    first, second = (None if each is None else _show(each) for each in (one, other))
    if one is None or other is None or first is None or second is None:
        sides = zip(pair.visits, (first, second), strict=True)
        lacking = [f"{visit.name} has no number" for visit, value in sides if value is None]
        kind = ChangeKind.NEITHER if len(lacking) == 2 else ChangeKind.MISSING
        reason = " and ".join(lacking)
        limited = bool(find_limits(card, pair.place, pair.path))
        return Change(
            measure=pair.measure, at=at, kind=kind, reason=reason, first=first, second=second, has_limit=limited
        )
    if one.text is not None or other.text is not None:
        same = one.text == other.text
        return Change(
            measure=pair.measure,
            at=at,
            kind=ChangeKind.WITHIN if same else ChangeKind.CHANGED,
            reason="the same text" if same else "different texts",
            first=first,
            second=second,
        )
    return _compare_numbers(pair, one, other, card)


def _compare_numbers(pair: Pair, one: Measured, other: Measured, card: Card | None) -> Change:
    first, second = one.value or 0.0, other.value or 0.0
    change = second - first
    u = _uncertainty(pair, one, other)
    kind, reason = _weigh(pair, one, change, u)
    limits = find_limits(card, pair.place, pair.path)
    return Change(
        measure=pair.measure,
        at=format_at(pair.place),
        kind=kind,
        reason=reason,
        first=first,
        second=second,
        unit=one.unit,
        change=change,
        u=u,
        has_limit=bool(limits),
        towards=find_towards(limits, first, second) if kind is ChangeKind.CHANGED else "",
    )


def _uncertainty(pair: Pair, one: Measured, other: Measured) -> float | None:
    """Return the standard uncertainty of a difference; None if a part of it is unknown."""
    parts: list[float] = []
    for visit, outcome, each in zip(pair.visits, (pair.first, pair.second), (one, other), strict=True):
        total = find_uncertainty(visit.stand, pair.measure, each, outcome).total
        if each.u is None or not each.u >= 0 or total is None or not total < math.inf:
            return None
        parts.append(total)
    return math.hypot(*parts)


def _weigh(pair: Pair, one: Measured, change: float, u: float | None) -> tuple[ChangeKind, str]:
    """Return the significance of a change, and the reason."""
    if one.u is None and one.unit in EXACT_UNITS:
        return (
            (ChangeKind.CHANGED, "counted, so any difference is a change")
            if change
            else (ChangeKind.WITHIN, "the same")
        )
    caveats = sorted({*pair.first.caveats} ^ {*pair.second.caveats})
    if pair.unlike:
        return ChangeKind.UNKNOWN, pair.unlike[0]
    if caveats:
        return ChangeKind.UNKNOWN, f"only one side has the caveat {', '.join(caveats)}"
    if u is None:
        return ChangeKind.UNKNOWN, "the measurement has no uncertainty, or the stand file has no reproducibility for it"
    more = abs(change) > COVERAGE * u
    size = f"{abs(change) / u:.1f} standard uncertainties"
    return (ChangeKind.CHANGED if more else ChangeKind.WITHIN), size


def _show(measured: Measured) -> float | str | None:
    if measured.text is not None:
        return measured.text
    return measured.value if measured.value is not None and math.isfinite(measured.value) else None
