"""Whether a stand was in control on a night, and if not, why.

A night with a reference shot is decided by that shot. A night without is decided by the shots before and after it: a
fault found later may have existed already, so everything since the last good check is questionable (as ISO 10012
requires for a standard found outside its limits). After too many nights without reference shots the stand is out of
control.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.formatting import format_against

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from glasswright.watch.chart import Chart, ChartPoint


def find_gap(nights: Sequence[date], night: date, most_nights: int) -> str:
    """Return a message if a night is too far from the last reference shot; empty if not.

    Parameters
    ----------
    nights
        Nights with a reference shot, sorted.
    most_nights
        Number of nights in a row without one that is too many.
    """
    before = [each for each in nights if each <= night]
    if not before:
        return f"no reference shot on {night} or before"
    without = (night - before[-1]).days
    if without < most_nights:
        return ""
    return f"no reference shot for {without} {'night' if without == 1 else 'nights'}: the last was on {before[-1]}"


def find_out_of_control(chart: Chart, night: date, most_nights: int) -> tuple[str, ...]:
    """Return every reason why a night is out of control by a chart; empty if it is in control."""
    if chart.problem:
        return (f"{chart.name}: {chart.problem}",)
    gap = find_gap([point.night for point in chart.points], night, most_nights)
    if gap:
        return (f"{chart.name}: {gap}",)
    return tuple(
        f"{chart.name} on {point.night}: {_format(chart, point, signal)}"
        for point in _witnesses(chart.points, night, most_nights)
        for signal in point.signals
    )


def _witnesses(points: Sequence[ChartPoint], night: date, most_nights: int) -> list[ChartPoint]:
    own = [point for point in points if point.night == night]
    if own:
        return own
    before = [point for point in points if point.night < night]
    after = [point for point in points if 0 < (point.night - night).days < most_nights]
    return [*before[-1:], *after[:1]]


def _format(chart: Chart, point: ChartPoint, signal: str) -> str:
    if point.value is None or chart.lower is None or chart.upper is None:
        return signal
    middle = (chart.lower + chart.upper) / 2
    value = format_against(point.value, chart.lower if point.value < middle else chart.upper, ".5g")
    return f"{signal} ({value}, limits {chart.lower:g} to {chart.upper:g} {chart.unit})".replace(" )", ")")
