"""A control chart of one series: each night against limits from the baseline's nights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright.statistics.average import begin_average, step_average
from glasswright.statistics.baseline import LIMIT_SIGMAS, Baseline, find_baseline
from glasswright.statistics.rules import LONGEST, TESTS, find_signals

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from glasswright.config import WatchKeys
    from glasswright.plugin.artefact import Setting
    from glasswright.watch.series import Point, Series


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPoint:
    """One night on a chart, in the field's unit."""

    night: date
    value: float | None
    average: float | None
    """The weighted average of this night and those before it."""
    average_lower: float | None
    average_upper: float | None
    tickets: tuple[str, ...]
    signals: tuple[str, ...]
    """Why the night is out of control; empty where it is in control."""
    remarks: tuple[str, ...] = ()
    """Patterns that are seen and do not count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A control chart. Without limits (None), `problem` says why, and no night on it is in control."""

    measure: str
    at: Setting | None
    body: str
    unit: str
    baseline: Baseline | None
    problem: str
    points: tuple[ChartPoint, ...]

    @property
    def lower(self) -> float | None:
        """The lower limit for one night."""
        return None if self.baseline is None else self.baseline.centre - LIMIT_SIGMAS * self.baseline.wide_sigma

    @property
    def upper(self) -> float | None:
        """The upper limit for one night."""
        return None if self.baseline is None else self.baseline.centre + LIMIT_SIGMAS * self.baseline.wide_sigma

    @property
    def name(self) -> str:
        """The field and the setting, as people say it."""
        return f"{self.measure} at {self.at}" if self.at is not None else self.measure


def draw_chart(series: Series, watch: WatchKeys) -> Chart:
    """Draw the chart of a series as the stand file says."""
    first, last = watch.baseline.first, watch.baseline.last
    values = [each.value for each in series.points if first <= each.night <= last and each.value is not None]
    found = find_baseline(values, watch.fields[series.measure].smallest_sigma)
    baseline = found if isinstance(found, Baseline) else None
    return Chart(
        measure=series.measure,
        at=series.at,
        body=series.body,
        unit=series.unit,
        baseline=baseline,
        problem=found if isinstance(found, str) else "",
        points=tuple(_walk(series, baseline, watch)) if baseline else tuple(map(_without_limits, series.points)),
    )


def _without_limits(point: Point) -> ChartPoint:
    return ChartPoint(
        night=point.night,
        value=point.value,
        average=None,
        average_lower=None,
        average_upper=None,
        tickets=point.tickets,
        signals=(point.missing,) if point.value is None else (),
    )


def _walk(series: Series, baseline: Baseline, watch: WatchKeys) -> Iterator[ChartPoint]:
    """Go through the nights in order; a restart forgets the nights before it."""
    restarts = sorted(each.on for each in watch.restarts)
    distances: list[float] = []
    average, sigma = begin_average(), baseline.wide_sigma
    for point in series.points:
        if restarts and point.night >= restarts[0]:
            restarts = [each for each in restarts if each > point.night]
            distances, average = [], begin_average()
        if point.value is None:
            yield _without_limits(point)
            continue
        distances.append((point.value - baseline.centre) / sigma)
        average = step_average(average, distances[-1], watch.average.weight, watch.average.width)
        completed = find_signals(distances[-LONGEST:])
        signals = [TESTS[name][2] for name in completed if name in watch.rules]
        signals += ["the weighted average is beyond its limits"] if average.is_out else []
        yield ChartPoint(
            night=point.night,
            value=point.value,
            average=baseline.centre + average.value * sigma,
            average_lower=baseline.centre - average.limit * sigma,
            average_upper=baseline.centre + average.limit * sigma,
            tickets=point.tickets,
            signals=tuple(signals),
            remarks=tuple(TESTS[name][2] for name in completed if name not in watch.rules),
        )
