"""The trade of false holds against false releases as one limit moves and what is acceptable stays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.tuning.risks import make_sample

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.tuning.evidence import Evidence, Lens

POINTS: Final = 61


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """One point for each place of a limit; shares of all lenses unless said otherwise."""

    numbers: tuple[float, ...]
    """The limit, as a card would have it."""
    good_held: tuple[float, ...]
    """Lenses truly inside the reference limit that do not pass (JCGM 106: the global producer's risk)."""
    bad_released: tuple[float, ...]
    """Lenses truly beyond the reference limit that pass (the global consumer's risk)."""
    known_bad_released: tuple[float, ...]
    """Of the lenses known to be bad, those that pass; empty where none is known."""
    reference: float
    """Where a lens begins to be bad."""


def trace_curve(evidence: Evidence, side: int, lenses: Sequence[Lens], reference: float) -> Curve:
    """Trace how the shares change as the limit moves from far below the lenses to their middle.

    Parameters
    ----------
    lenses
        Healthy ones with a value on the side.
    reference
        The limit at which a lens begins to be bad, turned.
    """
    sample = make_sample(evidence, [side], lenses)
    bad = [lens for lens in evidence.bad if lens.readings[side].known]
    known = evidence.guarded(side, bad)
    spread = float(sample.values.std())
    low = min(float(sample.values.min()), reference, *(float(each) for each in known)) - 2 * spread
    places = np.linspace(low, float(np.median(sample.values)), POINTS)
    good = sample.true[:, :, 0] >= reference
    held, released = [], []
    for place in places:
        passing = sample.pass_probability(np.array([place]))[:, :, 0]
        held.append(float((good * (1 - passing)).mean()))
        released.append(float((~good * passing).mean()))
    turn = evidence.sides[side].turn
    return Curve(
        numbers=tuple(turn(float(place)) for place in places),
        good_held=tuple(held),
        bad_released=tuple(released),
        known_bad_released=tuple(float((known >= place).mean()) for place in places) if bad else (),
        reference=turn(reference),
    )
