"""What speaks against a limit from these lenses on one side, before any number is computed.

Each finding names what would settle it: lenses to be looked at, or tickets to be tuned from.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.stats import median_abs_deviation, skewtest

from glasswright.statistics.stability import find_change

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright.statistics.stability import Change
    from glasswright.tuning.evidence import Evidence, Lens

    Array = NDArray[np.float64]

APART_LEVEL: Final = 0.05
"""Share of sound histories of which some lens is asked for as lying apart; over all sides of the card."""
CHANGE_LEVEL: Final = 0.03
"""Share of steady histories that are taken for changing; over all sides of the card. A third of it is for revisions."""
FLOOR_SHARE: Final = 0.2
"""Share of lenses with the same best value from which on a measure has a floor: there, nothing was seen."""
FEWEST_FOR_SHAPE: Final = 8
MOST_GOOD_SIGMAS: Final = 3.0
MOST_NAMED: Final = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """Why no number is proposed for a side."""

    kept: bool
    """The limit stays as it is; else there was something to say and no number."""
    says: str
    look_at: tuple[str, ...] = ()
    """Tickets whose lenses have to be looked at before it can be otherwise."""


def find_objection(evidence: Evidence, side: int, lenses: Sequence[Lens], sides: int) -> Objection | None:
    """Return the first thing that speaks against a new number on a side; None where nothing does.

    Parameters
    ----------
    lenses
        Healthy ones with a value on the side, in order of time.
    sides
        So many are looked at in all.
    """
    return (
        _find_changes(evidence, side, lenses, CHANGE_LEVEL / sides)
        or _find_apart(evidence, side, lenses, APART_LEVEL / sides)
        or _find_own_cut(evidence, side, lenses)
    )


def has_floor(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> bool:
    """Say whether so many lenses share the best value that it means that nothing was seen."""
    values = evidence.values(side, lenses)
    return float(np.mean(values == values.max())) >= FLOOR_SHARE


def name_tickets(tickets: Sequence[str]) -> str:
    """Name tickets, the first few of them."""
    more = len(tickets) - MOST_NAMED
    return ", ".join(tickets[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _find_changes(evidence: Evidence, side: int, lenses: Sequence[Lens], level: float) -> Objection | None:
    """Look for a change over the nights, and for one over the serial numbers, which is a revision of the model."""
    by_serial = sorted(lenses, key=lambda lens: _serial_key(lens.serial))
    in_time = find_change(evidence.values(side, lenses), level * 2 / 3)
    if in_time is not None:
        first = lenses[in_time.place]
        where = f"from {first.night} on (ticket {first.ticket})"
        return _object_to(evidence, side, in_time, where, f"tune from those alone: --since {first.night}")
    in_serials = find_change(evidence.values(side, by_serial), level / 3)
    if in_serials is not None:
        where = f"from serial number {by_serial[in_serials.place].serial} on"
        return _object_to(evidence, side, in_serials, where, "a revision of the model needs a card of its own")
    return None


def _serial_key(serial: str) -> tuple[tuple[int, str], ...]:
    """Sort digits as numbers."""
    return tuple((int(part) if part.isdigit() else -1, part) for part in re.split(r"(\d+)", serial))


def _object_to(evidence: Evidence, side: int, change: Change, where: str, remedy: str) -> Objection:
    turn = evidence.sides[side].turn
    says = (
        f"the lenses did not stay the same: a {change.kind} (probability by chance {change.probability:.2g}), median "
        f"{turn(change.before):.4g} before and {turn(change.after):.4g} {where}, so they promise nothing of lenses to "
        f"come: {remedy}"
    )
    return Objection(kept=False, says=says)


def _find_apart(evidence: Evidence, side: int, lenses: Sequence[Lens], level: float) -> Objection | None:
    """Name the lenses that trail off towards the bad side and were not found sound: they may be bad ones.

    D'Agostino's test of skewness (Biometrika 57 (1970) 679-681); the worst lens is taken away until it finds no more.
    """
    if has_floor(evidence, side, lenses):
        return None
    values = evidence.values(side, lenses)
    middle = float(np.median(values))
    # one that is far too good must not hide those that are bad
    values = np.minimum(values, middle + MOST_GOOD_SIGMAS * float(median_abs_deviation(values, scale="normal")))
    order = [place for place in np.argsort(values, kind="stable") if not lenses[place].sound]
    apart: list[str] = []
    while len(order) - len(apart) >= max(FEWEST_FOR_SHAPE, len(order) // 2):
        rest = values[order[len(apart) :]]
        if np.ptp(rest) == 0 or float(skewtest(rest, alternative="less").pvalue) >= level:
            break
        apart.append(lenses[order[len(apart)]].ticket)
    if not apart:
        return None
    says = (
        f"{len(apart)} of {len(lenses)} lenses lie apart on the bad side ({name_tickets(apart)}): look at them, and "
        "say what is found: `glasswright inspected TICKET sound` or `faulty`"
    )
    return Objection(kept=False, says=says, look_at=tuple(apart))


def _find_own_cut(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> Objection | None:
    """Say that the limit as it is lies so near that it may have cut off these lenses, and none that it holds is here.

    From what passed alone every tuning would move a limit inwards. The limit is far where it is farther from the
    nearest lens than that is from the middle.
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
    says = (
        f"all {len(lenses)} lenses passed the limit as it is, which lies near them: what it held is not here to be "
        "counted, and from what passed alone every tuning would move it inwards; keep tickets of what it holds"
    )
    return Objection(kept=True, says=says)


def _is_beyond(lens: Lens, side: int, bound: float) -> bool:
    reading = lens.readings[side]
    return reading.value - reading.band < bound


def detection_limit(evidence: Evidence, side: int, lenses: Sequence[Lens]) -> float:
    """Return the best limit, turned, that a lens with nothing to be seen meets: two guard bands from the best value.

    One guard band is what such a lens may read, the other what the limit takes off (ISO 11843-1: the detection limit
    lies a decision limit's width beyond it; from memory). NaN where no uncertainty is known.
    """
    band = float(np.median(evidence.bands(side, lenses)))
    return float(evidence.values(side, lenses).max()) - 2 * band if band > 0 else math.nan
