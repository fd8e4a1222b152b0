"""A shop's past with one lens model: who came, what was wrong, what was noticed."""

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
"""A rehearsal has no clock: every past ends on the same evening."""
VISITS_A_NIGHT: Final = 4
BAD_FRAC: Final = 0.06
"""Of lenses, those whose repair did not succeed at once."""
MISSED_FRAC: Final = 0.3
"""Of those, the ones that nobody noticed, and that came back."""
FAINT: Final = (0.3, 0.6)
"""Strength of a fault that was missed, of its nominal one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PastVisit:
    """One ticket of the past."""

    number: str
    measured_at: str
    copy: Copy
    fault: Fault | None
    came_back: str
    """What its owner found after the release; empty for a lens that stayed away."""


def draw_history(model_name: str, count: int, seed: int) -> tuple[PastVisit, ...]:
    """Draw so many tickets of one model, all at their release, the first first.

    About 6 % of lenses still have a fault then. Most of these are noticed, repaired and measured again with the next
    ticket; the faint ones go out and come back.
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
