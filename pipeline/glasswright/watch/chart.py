"""A control chart of one series: each night against limits from the baseline's nights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import stdtrit
from scipy.stats import median_abs_deviation

from glasswright.statistics.control import Baseline, find_baseline
from glasswright.statistics.stability import find_change

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
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
    """What is told and does not count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A control chart. Without limits (None), `problem` says why, and no night on it is in control."""

    measure: str
    at: Setting | None
    body: str
    unit: str
    baseline: Baseline | None
    problem: str
    rate: float
    """How often it may call a steady stand out of control."""
    points: tuple[ChartPoint, ...]
    notes: tuple[str, ...] = ()
    """What is odd in the baseline itself, for a person to look at."""

    @property
    def lower(self) -> float | None:
        """The lower limit for one night."""
        return None if self.baseline is None else self.baseline.centre - self.baseline.point_limit(self.rate)

    @property
    def upper(self) -> float | None:
        """The upper limit for one night."""
        return None if self.baseline is None else self.baseline.centre + self.baseline.point_limit(self.rate)

    @property
    def name(self) -> str:
        """The field and the setting, as people say it."""
        return f"{self.measure} at {self.at}" if self.at is not None else self.measure


APART_LEVEL: Final = 0.01
"""Probability that some night of a sound baseline is named as lying apart."""
CHANGE_LEVELS: Final = (0.01, 0.001)
"""Probability that a steady baseline is told to have changed, and that it stops the chart for that."""


def baseline_values(series: Series, watch: WatchKeys) -> list[float]:
    """Return the values that a series' limits come from, in order of time."""
    return [each.value for each in series.points if each.value is not None and watch.baseline.holds(each.night)]


def draw_chart(series: Series, watch: WatchKeys, rate: float, autocorrelation: float) -> Chart:
    """Draw the chart of a series as the stand file says.

    Parameters
    ----------
    rate
        How often it may call a steady stand out of control.
    autocorrelation
        Of its nights, to be allowed for.
    """
    values = baseline_values(series, watch)
    found = find_baseline(values, autocorrelation, watch.fields[series.measure].smallest_sigma)
    note_level, stop_level = CHANGE_LEVELS
    problem = found if isinstance(found, str) else _find_change(values, stop_level)
    notes = [note for note in (_find_change(values, note_level), *_find_apart(series, watch)) if note]
    baseline = found if isinstance(found, Baseline) and not problem else None
    return Chart(
        measure=series.measure,
        at=series.at,
        body=series.body,
        unit=series.unit,
        baseline=baseline,
        problem=problem,
        rate=rate,
        points=tuple(_walk(series, baseline, watch, rate)) if baseline else tuple(map(_without_limits, series.points)),
        notes=tuple(notes) if baseline else (),
    )


def _find_change(values: Sequence[float], level: float) -> str:
    """Say that a baseline changed while it was taken; empty where it did not."""
    change = find_change(np.array(values, dtype=np.float64), level)
    if change is None:
        return ""
    return (
        f"the baseline itself changed: a {change.kind} (probability by chance {change.probability:.2g}), median "
        f"{change.before:.5g} before and {change.after:.5g} after its night {change.place}: choose other nights"
    )


def _find_apart(series: Series, watch: WatchKeys) -> tuple[str, ...]:
    """Name the nights of a baseline that lie apart from the others: they make the limits wide."""
    points = [each for each in series.points if each.value is not None and watch.baseline.holds(each.night)]
    values = np.array([each.value for each in points], dtype=np.float64)
    if not len(values):
        return ()
    middle = float(np.median(values))
    spread = float(median_abs_deviation(values, scale="normal"))
    # Student's t stands for how badly so few nights tell the robust spread
    most = -float(stdtrit(max(3.0, len(values) / 2.7 - 1), APART_LEVEL / (2 * len(values)))) * spread
    return tuple(
        f"its night {point.night} lies apart ({value:.5g}, the middle is {middle:.5g}): find out why, and leave it out "
        "with a reason (`baseline: left_out`) or let it count"
        for point, value in zip(points, values, strict=True)
        if spread > 0 and abs(value - middle) > most
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


def _walk(series: Series, baseline: Baseline, watch: WatchKeys, rate: float) -> Iterator[ChartPoint]:
    """Go through the nights in order; a restart forgets the nights before it."""
    restarts = sorted(each.on for each in watch.restarts)
    average, most = baseline.centre, baseline.average_limit(rate, watch.average_weight)
    for point in series.points:
        if restarts and point.night >= restarts[0]:
            restarts = [each for each in restarts if each > point.night]
            average = baseline.centre
        if point.value is None:
            yield _without_limits(point)
            continue
        average += watch.average_weight * (point.value - average)
        # each ticket of a night is looked at: what one shows, others cannot average back
        widest = baseline.point_limit(rate / len(point.values))
        beyond = [value for value in point.values if abs(value - baseline.centre) > widest]
        signals = ["beyond the limits" if len(point.values) == 1 else _format_beyond(beyond, point)] if beyond else []
        signals += ["the weighted average is beyond its limits"] if abs(average - baseline.centre) > most else []
        yield ChartPoint(
            night=point.night,
            value=point.value,
            average=average,
            average_lower=baseline.centre - most,
            average_upper=baseline.centre + most,
            tickets=point.tickets,
            signals=tuple(signals),
            remarks=(f"not measured: {point.missing}",) if point.missing else (),
        )


def _format_beyond(beyond: Sequence[float], point: Point) -> str:
    named = ", ".join(f"{value:.5g}" for value in beyond)
    return f"{len(beyond)} of {len(point.values)} reference tickets beyond the limits ({named})"
