"""A watch report as plain data for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import date

    from glasswright.watch.chart import Chart, ChartPoint
    from glasswright.watch.watching import WatchReport


def as_data(report: WatchReport, on: date) -> dict[str, Any]:
    """Return a report as plain data, with the state on one night for each body."""
    bodies = report.bodies or ("",)
    out_of_control = {body: list(report.out_of_control_of_night(on, body)) for body in bodies}
    return {
        "stand": report.stand,
        "reference_lens": report.lens or None,
        "rehearsed": report.rehearsed,
        "night": on.isoformat(),
        "in_control": not any(out_of_control.values()),
        "out_of_control": out_of_control,
        "problem": report.problem or None,
        "missing_after_nights": report.keys.missing_after_nights,
        "baseline": {"from": report.keys.baseline.first.isoformat(), "to": report.keys.baseline.last.isoformat()},
        "charts": [_chart(chart) for chart in report.charts],
        "left_out": [{"ticket": each.ticket, "why": each.why} for each in report.left_out],
    }


def _chart(chart: Chart) -> dict[str, Any]:
    return {
        "measure": chart.measure,
        "at": str(chart.at) if chart.at is not None else None,
        "body": chart.body,
        "unit": chart.unit,
        "centre": chart.baseline.centre if chart.baseline else None,
        "sigma": chart.baseline.sigma if chart.baseline else None,
        "autocorrelation": chart.baseline.autocorrelation if chart.baseline else None,
        "false_alarm_rate": chart.rate,
        "baseline_nights": chart.baseline.count if chart.baseline else None,
        "lower": chart.lower,
        "upper": chart.upper,
        "problem": chart.problem or None,
        "notes": list(chart.notes),
        "points": [_point(point) for point in chart.points],
    }


def _point(point: ChartPoint) -> dict[str, Any]:
    return {
        "night": point.night.isoformat(),
        "value": point.value,
        "average": point.average,
        "average_lower": point.average_lower,
        "average_upper": point.average_upper,
        "tickets": list(point.tickets),
        "signals": list(point.signals),
        "remarks": list(point.remarks),
    }
