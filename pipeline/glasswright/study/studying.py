"""The study of a stand: every field's parts, and what they mean for the stand file."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.statistics.anova import analyse
from glasswright.statistics.average_range import by_average_and_range
from glasswright.statistics.crossed import arrange
from glasswright.statistics.intervals import CATEGORIES_FACTOR, find_intervals
from glasswright.study.pooling import pool
from glasswright.waiting import watch_progress

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from glasswright.statistics.anova import Anova
    from glasswright.statistics.average_range import AverageRange
    from glasswright.statistics.crossed import CrossedSet
    from glasswright.statistics.intervals import Interval, Intervals
    from glasswright.study.evidence import Evidence, Subject

    Limits = tuple[float | None, float | None]

TOLERANCE_SIGMAS = 6.0
"""The share of a tolerance is told for six standard deviations, or three from the mean to the one limit."""
ENOUGH_FREEDOM: Final = 22.0
"""Degrees of freedom with which a lens that is just at a limit passes in 10 % of visits at most, after 95 of 100
studies and with a confidence of 95 %: `ci/bench decisions --only judging`."""
ROUNDING = 1e-12
"""Scatter below this part of a number is that of the arithmetic."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldStudy:
    """What a study says of one field of one lens model at one setting."""

    subject: Subject
    unit: str
    crossed: CrossedSet
    anova: Anova
    ranges: AverageRange | None
    """By average and range; None with one repeat, or where a reading is missing."""
    intervals: Intervals
    limits: Limits
    """The card's, lower and upper; None where it has none."""

    @property
    def mean(self) -> float:
        """Mean of all values."""
        return float(np.nanmean(self.crossed.values))

    @property
    def gauge_of_total_pct(self) -> float:
        """The gauge over the total scatter, in per cent."""
        parts = self.anova.components
        return 100 * parts.gauge / parts.total if parts.total > 0 else 0.0

    @property
    def categories(self) -> float:
        """Distinct categories of lenses that the gauge tells apart; infinite where it does not scatter at all."""
        parts = self.anova.components
        return CATEGORIES_FACTOR * parts.lens / parts.gauge if parts.gauge > 0 else math.inf

    @property
    def tolerance_share(self) -> float | None:
        """One standard deviation's share of the tolerance, in per cent per unit of the field; None without limits."""
        lower, upper = self.limits
        if lower is not None and upper is not None:
            width = upper - lower
        elif lower is None and upper is None:
            return None
        else:
            # with one limit, what there is to use is the way from the mean to it, which is half of a tolerance
            width = 2 * abs(self.mean - (lower if lower is not None else upper or 0.0))
        return 100 * TOLERANCE_SIGMAS / width if width > 0 else None

    @property
    def gauge_of_tolerance_pct(self) -> float | None:
        """The gauge's share of the tolerance, in per cent; None without limits."""
        share = self.tolerance_share
        return None if share is None else share * self.anova.components.gauge

    @property
    def fittings_needed(self) -> int:
        """So many fittings would tell the reproducibility well enough, if each told as much as these did."""
        _, fittings, _ = self.anova.shape
        freedom = max(1.0, self.anova.reproducibility_freedom)
        return max(fittings, 1 + math.ceil(ENOUGH_FREEDOM * (fittings - 1) / freedom))

    @property
    def rating(self) -> str:
        """What the share of the tolerance means, or without limits that of the total: good, marginal or poor.

        Under 10 %, under 30 %, above: the bands of the automotive handbook.
        """
        share = self.gauge_of_tolerance_pct
        share = self.gauge_of_total_pct if share is None else share
        return "good" if share < 10 else "marginal" if share <= 30 else "poor"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSpread:
    """A standard uncertainty for the stand file."""

    table: str
    """`repeatability` or `reproducibility`."""
    measure: str
    u: float
    """In the field's unit."""
    freedom: float | None
    """Effective degrees of freedom; None for an upper end, which counts as one that is declared."""
    interval: Interval
    says: str
    """How it follows from the study."""
    with_repeats: bool = False
    """Of a reproducibility: the repeats could not be told apart and are in it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A field that cannot be studied."""

    subject: Subject
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study of a stand."""

    stand: str
    confidence: float
    evidence: Evidence
    fields: tuple[FieldStudy, ...]
    refused: tuple[Refused, ...]
    spreads: tuple[NewSpread, ...]


def study_stand(
    evidence: Evidence, stand: str, limits_of: Callable[[Subject], Limits], confidence: float = 0.95
) -> Study:
    """Work out every field's parts.

    Parameters
    ----------
    limits_of
        Gives the limits of a field's card at its setting.
    confidence
        Of the intervals.
    """
    fields: list[FieldStudy] = []
    refused: list[Refused] = []
    for subject, readings in watch_progress(evidence.readings.items(), len(evidence.readings), "studying fields"):
        crossed = arrange(readings)
        if isinstance(crossed, str):
            refused.append(Refused(subject=subject, why=crossed))
            continue
        anova = analyse(crossed.values)
        if anova.components.gauge <= ROUNDING * float(np.nanmax(np.abs(crossed.values))):
            refused.append(Refused(subject=subject, why="does not scatter at all: nothing is learnt from it"))
            continue
        fields.append(
            FieldStudy(
                subject=subject,
                unit=evidence.units[subject.measure],
                crossed=crossed,
                anova=anova,
                ranges=by_average_and_range(crossed.values),
                intervals=find_intervals(anova, confidence),
                limits=limits_of(subject),
            )
        )
    return Study(
        stand=stand,
        confidence=confidence,
        evidence=evidence,
        fields=tuple(fields),
        refused=tuple(refused),
        spreads=tuple(_find_spreads(fields)),
    )


def _find_spreads(fields: Sequence[FieldStudy]) -> list[NewSpread]:
    by_measure: dict[str, list[FieldStudy]] = defaultdict(list)
    for field in fields:
        by_measure[field.subject.measure].append(field)
    found = []
    for measure, several in by_measure.items():
        again = _pool_repeats(measure, several)
        found += [again] if again is not None else []
        found.append(_take_largest(measure, several))
    return found


def _pool_repeats(measure: str, fields: Sequence[FieldStudy]) -> NewSpread | None:
    """Pool the repeats of every setting; None where no fitting was repeated."""
    repeated = [field for field in fields if field.anova.components.repeat > 0]
    if not repeated:
        return None
    pooled = pool(
        [field.anova.components.repeat for field in repeated], [field.anova.repeat_freedom for field in repeated]
    )
    widest = max(repeated, key=lambda field: field.anova.components.repeat)
    return NewSpread(
        table="repeatability",
        measure=measure,
        u=pooled.sigma,
        freedom=float(pooled.freedom),
        interval=widest.intervals.repeatability,
        says=f"pooled over {_settings(repeated)}, {pooled.freedom} degrees of freedom",
    )


def _take_largest(measure: str, fields: Sequence[FieldStudy]) -> NewSpread:
    """Take the setting and the model where fitting a lens anew changes most: the file has one number for all."""
    worst = max(fields, key=lambda field: field.anova.components.reproducibility)
    seen = worst.anova.components.reproducibility
    where = f"largest of {_settings(fields)}, {worst.subject.model}"
    where += f" at {worst.subject.at}" if worst.subject.at is not None else ""
    if seen > 0:
        one = "" if worst.anova.sources[3].freedom else "; repeats not told apart and counted in"
        return NewSpread(
            table="reproducibility", measure=measure, u=seen, interval=worst.intervals.reproducibility,
            freedom=max(1.0, worst.anova.reproducibility_freedom), says=where + one, with_repeats=bool(one),
        )  # fmt: skip
    widest = max(fields, key=lambda field: field.intervals.reproducibility.high)
    high = widest.intervals.reproducibility.high or widest.anova.components.gauge
    return NewSpread(
        table="reproducibility", measure=measure, u=high, freedom=None, interval=widest.intervals.reproducibility,
        says="fitting anew changed nothing that could be seen, so this is the upper end of what it may be",
    )  # fmt: skip


def _settings(fields: Sequence[FieldStudy]) -> str:
    return f"{len(fields)} settings" if len(fields) > 1 else "1 setting"
