"""The trade-off of one limit: healthy lenses held against bad lenses that pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.tuning.risks import pass_share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.tuning.evidence import Evidence, Lens

POINTS: Final = 61
BAD_SIGMAS: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Points for a series of limits."""

    numbers: tuple[float, ...]
    """The limit in the card's units."""
    good_held: tuple[float, ...]
    """Fraction of the healthy lenses that do not pass."""
    bad_passed: tuple[float, ...]
    """Fraction that passes of lenses that are bad by four standard deviations of the healthy ones."""
    known_bad_passed: tuple[float, ...]
    """Fraction that passes of the known bad lenses; empty if none is known."""


def trace_curve(evidence: Evidence, side: int, lenses: Sequence[Lens], bound: float) -> Curve:
    """Return the trade-off for limits from far below the lenses to their median.

    Parameters
    ----------
    lenses
        Healthy lenses with a value on the side.
    bound
        The current or proposed limit, oriented; the curve extends beyond it.
    """
    guarded = evidence.guarded(side, lenses)
    bad = [lens for lens in evidence.bad if lens.readings and lens.readings[side].known]
    known = evidence.guarded(side, bad)
    spread = float(guarded.std())
    low = min(float(guarded.min()), bound, *(float(each) for each in known)) - 2 * spread
    places = [float(each) for each in np.linspace(low, float(np.median(guarded)), POINTS)]
    turn = evidence.sides[side].turn
    return Curve(
        numbers=tuple(turn(place) for place in places),
        good_held=tuple(float((guarded < place).mean()) for place in places),
        bad_passed=tuple(pass_share(evidence, side, lenses, place, BAD_SIGMAS) for place in places),
        known_bad_passed=tuple(float((known >= place).mean()) for place in places) if bad else (),
    )
