"""Simulations of judging after a study: how often a lens exactly at a limit passes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from decisions_tuning import share
from scipy import stats

from glasswright.judging.decision import Uncertainty, guard_band
from glasswright.statistics.anova import analyse
from glasswright.statistics.freedom import effective_freedom
from glasswright.statistics.intervals import find_intervals

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright.statistics.anova import Anova

    Array = NDArray[np.float64]

CONFIDENCE = 0.95
LENS = 3.0
STANDS = ((0.0, 0.0), (0.5, 0.0), (1.0, 0.0), (2.0, 0.0), (0.0, 1.0), (1.0, 1.0))
"""Standard deviations (fitting, interaction) relative to that of a repeat."""
SHAPES = ((5, 3, 2), (10, 3, 3), (5, 12, 2), (5, 25, 2))
SHOTS = 3


@dataclass(frozen=True)
class Stand:
    fitting: float
    interaction: float

    def study(self, generator: np.random.Generator, shape: tuple[int, int, int], lost: int = 0) -> Anova:
        lenses, fittings, _ = shape
        values = (
            LENS * generator.normal(size=(lenses, 1, 1))
            + self.fitting * generator.normal(size=(1, fittings, 1))
            + self.interaction * generator.normal(size=(lenses, fittings, 1))
            + generator.normal(size=shape)
        )
        for place in generator.choice(values.size, lost, replace=False):
            values.flat[place] = np.nan
        return analyse(values)

    @property
    def reproducibility(self) -> float:
        return math.hypot(self.fitting, self.interaction)

    def false_accept(self, found: Anova, *, student: bool) -> float:
        """Return how often a lens whose true value is exactly at a limit passes, with the results of a study."""
        seen, freedom = found.components.reproducibility, max(1.0, found.reproducibility_freedom)
        if seen == 0:
            seen, freedom = find_intervals(found, CONFIDENCE).reproducibility.high, 8.0
        repeat = found.components.repeat / math.sqrt(SHOTS)
        both = effective_freedom([(seen**2, freedom), (repeat**2, found.repeat_freedom)])
        u = Uncertainty(own=0.0, stand=math.hypot(seen, repeat), stand_freedom=both)
        band = guard_band(CONFIDENCE, u.known, u.freedom if student else math.inf)
        true = math.sqrt(self.reproducibility**2 + 1 / SHOTS)
        return float(stats.norm.sf(band / true))


def print_judging(quick: bool) -> None:
    repeats = 4 if quick else 500
    print(f"Judging: a lens exactly at its limit, confidence {CONFIDENCE}, {SHOTS} shots; rate of passing in {repeats}")
    print("studies: mean, and 95th percentile; with degrees of freedom, and without.")
    for shape in SHAPES:
        for fitting, interaction in STANDS:
            stand = Stand(fitting, interaction)
            found = [
                stand.study(np.random.default_rng([97, n]), shape)
                for n in range(repeats if shape[1] < 20 else repeats // 2)
            ]
            freedom = float(np.median([each.reproducibility_freedom for each in found]))
            cells = []
            for student in (True, False):
                passed = np.array([stand.false_accept(each, student=student) for each in found])
                error = 1.96 * passed.std() / math.sqrt(len(passed))
                cells.append(
                    f"{100 * passed.mean():4.1f} +- {100 * error:.1f} %, 95th {100 * np.quantile(passed, 0.95):4.1f} %"
                )
            print(f"  {shape[0]} x {shape[1]:>2} x {shape[2]}, fitting {fitting:.1f}, interaction {interaction:.1f}, "
                  f"{freedom:5.1f} degrees: {cells[0]}; by the normal quantile {cells[1]}")  # fmt: skip


def print_study(quick: bool) -> None:
    repeats = 4 if quick else 600
    print(f"Study: coverage of the 95 % interval of the reproducibility, {repeats} repeats.")
    for shape, lost in (((5, 3, 2), 0), ((5, 3, 2), 1), ((10, 3, 3), 0), ((10, 3, 3), 5)):
        for fitting, interaction in STANDS:
            stand = Stand(fitting, interaction)
            held = 0
            for repeat in range(repeats):
                found = stand.study(np.random.default_rng([101, repeat]), shape, lost)
                interval = find_intervals(found, CONFIDENCE).reproducibility
                held += interval.low <= stand.reproducibility <= interval.high
            lacking = f", {lost} missing" if lost else ""
            print(f"  {shape[0]} x {shape[1]} x {shape[2]}{lacking}, fitting {fitting:.1f}, interaction "
                  f"{interaction:.1f}: {share(held, repeats)}")  # fmt: skip
