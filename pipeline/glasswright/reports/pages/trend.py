"""Plots over time: lenses of a model with their limit, and control charts of the reference lens."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

from glasswright.formatting import format_count
from glasswright.plugin.drawing import Plot, Scale, canvas, dot, element, label, line, mark, path, reach
from glasswright.reports.pages.formats import COVERAGE, format_value
from glasswright.reports.pages.strip import draw_sign

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from glasswright.ledger.verdict import Verdict
    from glasswright.watch.chart import Chart

MOST_POINTS: Final = 400
"""Most points in one drawing (the latest); the histogram counts all."""
COLUMNS: Final = 14
PLOT_RIGHT: Final = 430.0
SHARE_LEFT: Final = 440.0
SHARE_RIGHT: Final = 545.0
BOTTOM: Final = 230.0
DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One lens's value at one time."""

    ticket: str
    when: str
    value: float
    u: float | None
    verdict: Verdict


def draw_population(readings: Sequence[Reading], limits: tuple[float | None, float | None], up: str, name: str) -> str:
    """Draw the lenses of a model: over time on the left, as a histogram on the right.

    Parameters
    ----------
    readings
        In order of time.
    limits
        The current limits, lower and upper.
    up
        Name and unit of the vertical axis.
    """
    shown = readings[-MOST_POINTS:]
    ends = [edge for edge in limits if edge is not None]
    values = [each.value for each in readings]
    spread = [
        value
        for each in shown
        for value in (each.value - COVERAGE * (each.u or 0), each.value + COVERAGE * (each.u or 0))
    ]
    plot = Plot.between((0, 1), reach([*values, *spread, *ends], pad=0.07), left=74, right=PLOT_RIGHT, bottom=BOTTOM)
    times = [_seconds(each.when) for each in shown]
    across = Scale(low=min(times) - DAY_S / 4, high=max(times) + DAY_S / 4, start=74, end=PLOT_RIGHT)
    parts = [_draw_limit_lines(plot, limits), _draw_frame(plot, across, up)]
    for time, each in zip(times, shown, strict=True):
        x, y, half = across(time), plot.y(each.value), COVERAGE * (each.u or 0.0)
        bar = line(x, plot.y(each.value - half), x, plot.y(each.value + half), "bar faint") if half else ""
        tip = f"{each.ticket}, {each.when[:10]}: {format_value(each.value, each.u)}, {each.verdict}"
        parts.append(mark(bar + draw_sign(x, y, each.verdict, 3.6), tip))
    parts.append(_draw_share(plot, values))
    return canvas(560, BOTTOM + 44, *parts, label=name, marks=True)


def _seconds(when: str) -> float:
    try:
        return datetime.fromisoformat(when).timestamp()
    except ValueError:
        return 0.0


def _draw_limit_lines(plot: Plot, limits: tuple[float | None, float | None]) -> str:
    parts = []
    for edge in limits:
        if edge is not None:
            parts.append(line(plot.x.start, plot.y(edge), SHARE_RIGHT, plot.y(edge), "limit"))
    low = plot.y.start if limits[0] is None else plot.y(limits[0])
    high = plot.y.end if limits[1] is None else plot.y(limits[1])
    width = plot.x.end - plot.x.start
    allowed = element("rect", x=plot.x.start, y=high, width=width, height=max(low - high, 0.0), class_="allowed")
    return allowed + "".join(parts)


def _draw_frame(plot: Plot, across: Scale, up: str) -> str:
    left, bottom, top = plot.x.start, plot.y.start, plot.y.end
    parts = [line(left - 4, plot.y(value), left, plot.y(value), "axis") for value in plot.y.ticks()]
    for time, text in _choose_dates(across):
        parts.append(line(across(time), bottom, across(time), bottom + 5, "axis"))
        parts.append(label(across(time), bottom + 19, text))
    parts.append(path([(left, top), (left, bottom), (plot.x.end, bottom)], "axis"))
    parts.append(plot.name_up(up))
    return "".join(parts)


def _choose_dates(across: Scale) -> list[tuple[float, str]]:
    """Return up to four times along the axis, each day once."""
    span = across.high - across.low
    found: dict[str, float] = {}
    for share in (0.1, 0.37, 0.63, 0.9):
        time = across.low + share * span
        found.setdefault(datetime.fromtimestamp(time).astimezone().strftime("%Y-%m-%d"), time)
    return [(time, text) for text, time in found.items()]


def _draw_share(plot: Plot, values: Sequence[float]) -> str:
    """Draw a horizontal histogram of the values along the plot's vertical axis."""
    width = (plot.y.high - plot.y.low) / COLUMNS
    counts = [0] * COLUMNS
    for value in values:
        counts[min(int((value - plot.y.low) / width), COLUMNS - 1)] += 1
    scale = Scale(low=0, high=max(max(counts), 1), start=SHARE_LEFT, end=SHARE_RIGHT)
    parts = []
    for index, count in enumerate(counts):
        if count:
            top, bottom = plot.y(plot.y.low + (index + 1) * width), plot.y(plot.y.low + index * width)
            shape = element(
                "rect",
                x=SHARE_LEFT,
                y=top + 0.6,
                width=scale(count) - SHARE_LEFT,
                height=bottom - top - 1.2,
                class_="column",
            )
            parts.append(mark(shape, f"{count} of {len(values)}"))
    parts.append(line(SHARE_LEFT, plot.y.start, SHARE_LEFT, plot.y.end, "axis"))
    parts.append(label((SHARE_LEFT + SHARE_RIGHT) / 2, plot.y.start + 19, format_count(len(values), "ticket")))
    return "".join(parts)


def draw_control_chart(chart: Chart, up: str) -> str:
    """Draw a control chart: nights, centre line, limits, and the weighted average."""
    points = [point for point in chart.points if point.value is not None][-MOST_POINTS:]
    values = [point.value or 0.0 for point in points]
    edges = [edge for edge in (chart.lower, chart.upper) if edge is not None]
    averages = [point.average for point in points if point.average is not None]
    plot = Plot.between((0, 1), reach([*values, *edges, *averages], pad=0.1), left=74, right=545, bottom=BOTTOM)
    times = [datetime(p.night.year, p.night.month, p.night.day).timestamp() for p in points]
    low, high = (min(times), max(times)) if times else (0.0, DAY_S)
    across = Scale(low=low - DAY_S / 2, high=high + DAY_S / 2, start=74, end=545)
    parts = [_draw_frame(plot, across, up)]
    parts += [line(74, plot.y(edge), 545, plot.y(edge), "limit") for edge in edges]
    if chart.baseline is not None:
        parts.append(line(74, plot.y(chart.baseline.centre), 545, plot.y(chart.baseline.centre), "guide"))
    averaged = ((across(t), plot.y(p.average)) for t, p in zip(times, points, strict=True) if p.average is not None)
    parts.append(path(averaged, "line two plain"))
    parts.append(path(((across(t), plot.y(v)) for t, v in zip(times, values, strict=True)), "line one thin"))
    for time, value, point in zip(times, values, points, strict=True):
        tip = f"{point.night}: {value:.5g} {chart.unit}. {_join(point.signals) or 'in control'}"
        shape = "sign fail" if point.signals else "fill one"
        parts.append(mark(dot(across(time), plot.y(value), shape, 5 if point.signals else 3.2), tip))
    return canvas(560, BOTTOM + 30, *parts, label=f"Control chart of {chart.name}", marks=True)


def _join(texts: Iterable[str]) -> str:
    return "; ".join(texts)
