"""Whether a stand was in control on a night, and why not where it was not.

A night with a reference shot of its own is told by it. One without is told by the last before it and the next after it:
what was found wrong afterwards may have been wrong already, so everything back to the last good check is in doubt (as
ISO 10012 asks of a standard that is found outside its limits). After so many nights without any, nobody knows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright.formatting import format_against

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from glasswright.watch.chart import Chart, ChartPoint


def find_gap(nights: Sequence[date], night: date, most_nights: int) -> str:
    """Say whether a night is too far from the last reference shot; empty where it is not.

    Parameters
    ----------
    nights
        Those with a reference shot, in order.
    most_nights
        So many without one in a row are too many.
    """
    before = [each for each in nights if each <= night]
    if not before:
        return f"no reference shot on {night} or before"
    without = (night - before[-1]).days
    if without < most_nights:
        return ""
    return f"no reference shot for {without} {'night' if without == 1 else 'nights'}: the last was on {before[-1]}"


def find_out_of_control(chart: Chart, night: date, most_nights: int) -> tuple[str, ...]:
    """Return every reason for which a chart does not vouch for a night."""
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
