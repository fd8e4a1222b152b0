"""Objections to a new limit on one side, before any number is computed.

Each objection names a remedy: lenses to inspect, or tickets to tune from.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import skewtest

from glasswright.formatting import format_count
from glasswright.statistics.robust import robust_sigma
from glasswright.statistics.stability import find_change

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright.statistics.stability import Change
    from glasswright.tuning.evidence import Evidence, Lens

    Array = NDArray[np.float64]

APART_LEVEL: Final = 0.05
"""Fraction of histories of healthy lenses in which some lens is reported as an outlier, over all sides of the card."""
CHANGE_LEVEL: Final = 0.03
"""Fraction of stable histories that are rejected as changing, over all sides of the card; a third is for revisions."""
FLOOR_SHARE: Final = 0.2
"""Fraction of lenses with the same best value from which a measure has a floor, where nothing was detected."""
FEWEST_FOR_SHAPE: Final = 8
MOST_GOOD_SIGMAS: Final = 3.0
MOST_NAMED: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """The reason why no number is proposed for a side."""

    kept: bool
    """Whether the current limit should stay; otherwise no statement is possible."""
    reason: str
    to_inspect: tuple[str, ...] = ()
    """Tickets whose lenses must be inspected first."""


def find_objection(evidence: Evidence, side: int, lenses: Sequence[Lens], sides: int) -> Objection | None:
    """Return the first objection to a new number on a side; None if there is none.

    Parameters
    ----------
    lenses
        Healthy lenses with a value on the side, in order of time.
    sides
        Number of sides examined in total.
    """
    return (
        _find_changes(evidence, side, lenses, CHANGE_LEVEL / sides)
        or _find_apart(evidence, side, lenses, APART_LEVEL / sides)
        or _find_own_cut(evidence, side, lenses)
    )


def has_floor(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> bool:
    """Return whether so many lenses share the best value that it must mean that nothing was detected."""
    values = evidence.values(side, lenses)
    return float(np.mean(values == values.max())) >= FLOOR_SHARE


def name_tickets(tickets: Sequence[str]) -> str:
    """Return the first few tickets as text."""
    more = len(tickets) - MOST_NAMED
    return ", ".join(tickets[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _find_changes(evidence: Evidence, side: int, lenses: Sequence[Lens], level: float) -> Objection | None:
    """Return an objection for a change over time, or over the serial numbers (a revision of the model)."""
    by_serial = sorted(lenses, key=lambda lens: _serial_key(lens.serial))
    in_time = find_change(evidence.values(side, lenses), level * 2 / 3)
    if in_time is not None:
        first = lenses[in_time.place]
        where = f"from {first.night} on (ticket {first.ticket})"
        return _object_to(evidence, side, in_time, where, f"tune from those alone: --since {first.night}")
    in_serials = find_change(evidence.values(side, by_serial), level / 3)
    if in_serials is not None:
        where = f"from serial number {by_serial[in_serials.place].serial} on"
        return _object_to(evidence, side, in_serials, where, "a revision of the model needs a separate card")
    return None


def _serial_key(serial: str) -> tuple[tuple[int, str], ...]:
    """Sort key: digits compare as numbers."""
    return tuple((int(part) if part.isdigit() else -1, part) for part in re.split(r"(\d+)", serial))


def _object_to(evidence: Evidence, side: int, change: Change, where: str, remedy: str) -> Objection:
    turn = evidence.sides[side].turn
    reason = (
        f"the lenses changed: a {change.kind} (probability by chance {change.probability:.2g}), median "
        f"{turn(change.before):.4g} before and {turn(change.after):.4g} {where}, so they do not predict future "
        f"lenses: {remedy}"
    )
    return Objection(kept=False, reason=reason)


def _find_apart(evidence: Evidence, side: int, lenses: Sequence[Lens], level: float) -> Objection | None:
    """Return an objection if uninspected lenses form a tail on the bad side: they may be bad.

    D'Agostino's test of skewness (Biometrika 57 (1970) 679-681); the worst lens is removed until it is not significant.
    """
    if has_floor(evidence, side, lenses):
        return None
    values = evidence.values(side, lenses)
    middle = float(np.median(values))
    # an outlier on the good side must not hide those on the bad side
    values = np.minimum(values, middle + MOST_GOOD_SIGMAS * robust_sigma(values))
    order = [place for place in np.argsort(values, kind="stable") if not lenses[place].sound]
    apart: list[str] = []
    while len(order) - len(apart) >= max(FEWEST_FOR_SHAPE, len(order) // 2):
        rest = values[order[len(apart) :]]
        if np.ptp(rest) == 0 or float(skewtest(rest, alternative="less").pvalue) >= level:
            break
        apart.append(lenses[order[len(apart)]].ticket)
    if not apart:
        return None
    reason = (
        f"{len(apart)} of {format_count(len(lenses), 'lens')}: outliers on the "
        f"bad side ({name_tickets(apart)}): inspect, and "
        "record the finding: `glasswright inspected TICKET sound` or `faulty`"
    )
    return Objection(kept=False, reason=reason, to_inspect=tuple(apart))


def _find_own_cut(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> Objection | None:
    """Return an objection if the current limit may have truncated the sample: it is near, and no lens beyond it exists.

    From passed lenses alone, every tuning would tighten the limit. The limit is near if its distance from the nearest
    lens is less than that lens's distance from the median.
    """
    bound = evidence.sides[side].bound
    if bound is None or has_floor(evidence, side, lenses):
        return None
    everybody = [*evidence.healthy, *evidence.bad, *evidence.held]
    beyond = [lens for lens in everybody if lens.readings[side].known and _is_beyond(lens, side, bound)]
    passed = evidence.guarded(side, lenses)
    near = float(passed.min()) - bound < float(np.median(passed) - passed.min())
    if beyond or not near:
        return None
    reason = (
        f"all {len(lenses)} lenses passed the current limit, which is close to them: lenses that it held are missing "
        "here, and from passed lenses alone every tuning would tighten it; also keep the tickets of held lenses"
    )
    return Objection(kept=True, reason=reason)


def _is_beyond(lens: Lens, side: int, bound: float) -> bool:
    reading = lens.readings[side]
    return reading.value - reading.band < bound


def detection_limit(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> float:
    """Return the tightest limit (oriented) that a lens without any defect meets: two guard bands from the best value.

    One guard band covers the lens's reading, the other is subtracted in judging (ISO 11843-1: detection limit =
    critical value plus the same width; from memory). NaN if no uncertainty is known.
    """
    band = float(np.median(evidence.bands(side, lenses)))
    return float(evidence.values(side, lenses).max()) - 2 * band if band > 0 else math.nan
