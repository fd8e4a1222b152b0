"""The study of a stand: variance components of every field, and the resulting entries of the stand file."""

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
"""Width of the gauge in standard deviations when compared with the tolerance (half of it for one limit)."""
ENOUGH_FREEDOM: Final = 22.0
"""Degrees of freedom with which, after 95 of 100 studies, a lens exactly at a limit passes in at most 10 % of visits at
a confidence of 95 %: `ci/bench decisions --only judging`."""
ROUNDING = 1e-12
"""Relative scatter up to which it is only floating-point rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldStudy:
    """The result of a study for one field of one lens model at one setting."""

    subject: Subject
    unit: str
    crossed: CrossedSet
    anova: Anova
    ranges: AverageRange | None
    """By average and range; None with one repeat, or with missing readings."""
    intervals: Intervals
    limits: Limits
    """Lower and upper limit of the card; None for a missing one."""

    @property
    def mean(self) -> float:
        """Mean of all values."""
        return float(np.nanmean(self.crossed.values))

    @property
    def gauge_of_total_pct(self) -> float:
        """Gauge relative to total, in per cent."""
        parts = self.anova.components
        return 100 * parts.gauge / parts.total if parts.total > 0 else 0.0

    @property
    def categories(self) -> float:
        """Number of distinct categories of lenses; infinite if the gauge has no scatter."""
        parts = self.anova.components
        return CATEGORIES_FACTOR * parts.lens / parts.gauge if parts.gauge > 0 else math.inf

    @property
    def tolerance_share(self) -> float | None:
        """`TOLERANCE_SIGMAS` relative to the tolerance, in per cent per unit of the field; None without limits."""
        lower, upper = self.limits
        if lower is not None and upper is not None:
            width = upper - lower
        elif lower is None and upper is None:
            return None
        else:
            # with one limit, the distance from the mean to it is half of the tolerance
            width = 2 * abs(self.mean - (lower if lower is not None else upper or 0.0))
        return 100 * TOLERANCE_SIGMAS / width if width > 0 else None

    @property
    def gauge_of_tolerance_pct(self) -> float | None:
        """Gauge relative to tolerance, in per cent; None without limits."""
        share = self.tolerance_share
        return None if share is None else share * self.anova.components.gauge

    @property
    def fittings_needed(self) -> int:
        """Number of fittings needed for `ENOUGH_FREEDOM`, scaled from the degrees of freedom of this study."""
        _, fittings, _ = self.anova.shape
        freedom = max(1.0, self.anova.reproducibility_freedom)
        return max(fittings, 1 + math.ceil(ENOUGH_FREEDOM * (fittings - 1) / freedom))

    @property
    def rating(self) -> str:
        """Rating of the gauge relative to the tolerance (without limits, to the total): good, marginal or poor.

        Under 10 %, up to 30 %, above: the bands of the automotive handbook.
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
    """Effective degrees of freedom; None for an upper bound, which counts as a declared number."""
    interval: Interval
    basis: str
    """How it was derived from the study."""
    with_repeats: bool = False
    """For a reproducibility: it includes the repeatability, because there was only one repeat."""


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
    """Return the variance components of every field.

    Parameters
    ----------
    limits_of
        Function: subject -> limits of its card.
    confidence
        Confidence of the intervals.
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
            refused.append(Refused(subject=subject, why="has no scatter: the study gives no result for it"))
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
    """Return the repeatability pooled over settings; None if no fitting was repeated."""
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
        basis=f"pooled over {_settings(repeated)}, {pooled.freedom} degrees of freedom",
    )


def _take_largest(measure: str, fields: Sequence[FieldStudy]) -> NewSpread:
    """Return the largest reproducibility of all settings and models, since the stand file has one number per field."""
    worst = max(fields, key=lambda field: field.anova.components.reproducibility)
    seen = worst.anova.components.reproducibility
    where = f"largest of {_settings(fields)}, {worst.subject.model}"
    where += f" at {worst.subject.at}" if worst.subject.at is not None else ""
    if seen > 0:
        one = "" if worst.anova.sources[3].freedom else "; includes the repeatability (no repeats)"
        return NewSpread(
            table="reproducibility", measure=measure, u=seen, interval=worst.intervals.reproducibility,
            freedom=max(1.0, worst.anova.reproducibility_freedom), basis=where + one, with_repeats=bool(one),
        )  # fmt: skip
    widest = max(fields, key=lambda field: field.intervals.reproducibility.high)
    high = widest.intervals.reproducibility.high or widest.anova.components.gauge
    return NewSpread(
        table="reproducibility", measure=measure, u=high, freedom=None, interval=widest.intervals.reproducibility,
        basis="mounting again had no measurable effect, so this is the upper end of the interval",
    )  # fmt: skip


def _settings(fields: Sequence[FieldStudy]) -> str:
    return f"{len(fields)} settings" if len(fields) > 1 else "1 setting"
