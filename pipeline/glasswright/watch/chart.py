"""A control chart of one series: each night against limits from the baseline nights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import stdtrit

from glasswright.formatting import format_count
from glasswright.statistics.control import Baseline, find_baseline
from glasswright.statistics.robust import robust_sigma
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
    """Exponentially weighted moving average up to this night."""
    average_lower: float | None
    average_upper: float | None
    tickets: tuple[str, ...]
    signals: tuple[str, ...]
    """Why the night is out of control; empty if it is in control."""
    remarks: tuple[str, ...] = ()
    """Remarks that do not count as signals."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """A control chart. If there is no baseline, `problem` says why, and no night is in control."""

    measure: str
    at: Setting | None
    body: str
    unit: str
    baseline: Baseline | None
    problem: str
    rate: float
    """False-alarm rate per night on a stable stand."""
    points: tuple[ChartPoint, ...]
    notes: tuple[str, ...] = ()
    """Irregularities of the baseline, for a person to look at."""

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
        """Field and setting as text."""
        return f"{self.measure} at {self.at}" if self.at is not None else self.measure


APART_LEVEL: Final = 0.01
"""Probability that a night of a normal baseline is reported as an outlier."""
CHANGE_LEVELS: Final = (0.01, 0.001)
"""Probability that a stable baseline is reported as changed, and that it is rejected as changed."""


def baseline_values(series: Series, watch: WatchKeys) -> list[float]:
    """Return the baseline values of a series, in order of time."""
    return [each.value for each in series.points if each.value is not None and watch.baseline.holds(each.night)]


def draw_chart(series: Series, watch: WatchKeys, rate: float, autocorrelation: float) -> Chart:
    """Return the chart of a series.

    Parameters
    ----------
    rate
        False-alarm rate per night on a stable stand.
    autocorrelation
        Assumed autocorrelation of the nights.
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
    """Return a message if a baseline contains a trend or step; empty if not."""
    change = find_change(np.array(values, dtype=np.float64), level)
    if change is None:
        return ""
    return (
        f"the baseline is not stable: a {change.kind} (probability by chance {change.probability:.2g}), median "
        f"{change.before:.5g} before and {change.after:.5g} after its night {change.place}: choose other nights"
    )


def _find_apart(series: Series, watch: WatchKeys) -> tuple[str, ...]:
    """Return a message for each outlier among the baseline nights; outliers widen the limits."""
    points = [each for each in series.points if each.value is not None and watch.baseline.holds(each.night)]
    values = np.array([each.value for each in points], dtype=np.float64)
    if not len(values):
        return ()
    middle = float(np.median(values))
    spread = robust_sigma(values)
    # Student's t, with the lower efficiency of the MAD in the degrees of freedom
    most = -float(stdtrit(max(3.0, len(values) / 2.7 - 1), APART_LEVEL / (2 * len(values)))) * spread
    return tuple(
        f"its night {point.night} is an outlier ({value:.5g}, the median is {middle:.5g}): find out why, and exclude "
        "it with a reason (`baseline: left_out`) or keep it"
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
    """Yield the points in order of time; a restart resets the average."""
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
        # each ticket of a night is tested, so that others cannot average out a deviation
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
    return f"{len(beyond)} of {format_count(len(point.values), 'reference ticket')} beyond the limits ({named})"
