"""A rehearsed history of tickets for one lens model: faults, and whether they were noticed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_rehearsal.faults.kinds import LENS_FAULTS, draw_fault
from glasswright_rehearsal.scene.models import MODELS, draw_copy

if TYPE_CHECKING:
    from collections.abc import Iterator

    from glasswright_rehearsal.faults.kinds import Fault
    from glasswright_rehearsal.scene.models import Copy

LAST_NIGHT: Final = datetime(2026, 2, 27, 22, tzinfo=UTC)
"""A rehearsal has no clock: every history ends on the same evening."""
VISITS_A_NIGHT: Final = 4
BAD_FRAC: Final = 0.06
"""Fraction of lenses with a fault left after the first repair."""
MISSED_FRAC: Final = 0.3
"""Fraction of these that were not noticed, and came back."""
FAINT: Final = (0.3, 0.6)
"""Range of severity of a missed fault."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastVisit:
    """One ticket of the history."""

    number: str
    measured_at: str
    copy: Copy
    fault: Fault | None
    came_back: str
    """The owner's complaint after release; empty if the lens did not come back."""


def draw_history(model_name: str, count: int, seed: int) -> tuple[PastVisit, ...]:
    """Draw `count` tickets of one model, all measured before release, in order of time.

    About 6 % of lenses still have a fault. Most of these are noticed, repaired and measured again with the next ticket;
    the others have a faint fault, are released and come back.
    """
    generator = np.random.default_rng(np.random.SeedSequence([seed, 40_014]))
    visits = list(_draw_lenses(model_name, count, generator))[:count]
    nights = -(-count // VISITS_A_NIGHT)
    return tuple(
        replace(
            visit,
            number=f"H-{place + 1:04d}",
            measured_at=(LAST_NIGHT - timedelta(days=nights - 1 - place // VISITS_A_NIGHT)).isoformat(),
        )
        for place, visit in enumerate(visits)
    )


def _draw_lenses(model_name: str, count: int, generator: np.random.Generator) -> Iterator[PastVisit]:
    names = tuple(LENS_FAULTS)
    for number in range(count):
        copy = draw_copy(MODELS[model_name], 10_000 + number, generator)
        visit = PastVisit(number="", measured_at="", copy=copy, fault=None, came_back="")
        if generator.uniform() >= BAD_FRAC:
            yield visit
            continue
        name = names[int(generator.integers(len(names)))]
        fault = draw_fault(name, generator)
        if generator.uniform() < MISSED_FRAC:
            faint = replace(fault, severity=float(generator.uniform(*FAINT)))
            yield replace(visit, fault=faint, came_back=LENS_FAULTS[name])
            continue
        yield replace(visit, fault=fault)
        yield visit
