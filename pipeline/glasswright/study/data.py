"""A study as plain data for JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from glasswright.statistics.intervals import Interval
    from glasswright.study.studying import FieldStudy, Study


def as_data(study: Study) -> dict[str, Any]:
    """Return a study as plain data."""
    return {
        "stand": study.stand,
        "rehearsed": study.evidence.rehearsed,
        "confidence": study.confidence,
        "tickets": [state.record.ticket.number for state in study.evidence.tickets],
        "left_out": [{"ticket": each.ticket, "why": each.why} for each in study.evidence.left_out],
        "fields": [_field(field) for field in study.fields],
        "refused": [
            {"model": each.subject.model, "measure": each.subject.measure, "at": _at(each.subject.at), "why": each.why}
            for each in study.refused
        ],
        "spreads": [
            {
                "table": each.table,
                "measure": each.measure,
                "u": each.u,
                "freedom": each.freedom,
                "interval": _interval(each.interval),
                "basis": each.basis,
            }
            for each in study.spreads
        ],
    }


def _at(setting: object) -> str | None:
    return str(setting) if setting is not None else None


def _interval(interval: Interval) -> list[float | None]:
    return [_number(interval.low), _number(interval.high)]


def _number(value: float | None) -> float | None:
    """Return a number for JSON; None if it is not finite."""
    return value if value is not None and math.isfinite(value) else None


def _field(field: FieldStudy) -> dict[str, Any]:
    anova, parts, crossed = field.anova, field.anova.components, field.crossed
    return {
        "model": field.subject.model,
        "measure": field.subject.measure,
        "at": _at(field.subject.at),
        "unit": field.unit,
        "lenses": list(crossed.lenses),
        "fittings": list(crossed.fittings),
        "repeats": anova.shape[2],
        "tickets": list(crossed.tickets),
        "missing": anova.missing,
        "mean": field.mean,
        "limits": list(field.limits),
        "gauge_of_tolerance_pct": _number(field.gauge_of_tolerance_pct),
        "gauge_of_total_pct": field.gauge_of_total_pct,
        "categories": _number(field.categories),
        "rating": field.rating,
        "analysis_of_variance": {
            "sources": [
                {"name": each.name, "sum_of_squares": each.sum_of_squares, "freedom": each.freedom}
                for each in anova.sources
            ],
            "interaction_probability": anova.interaction_probability,
            "pooled": anova.pooled,
            "reproducibility_freedom": _number(anova.reproducibility_freedom),
            "fittings_needed": field.fittings_needed,
            "repeatability": parts.repeatability,
            "fitting": parts.fitting,
            "interaction": parts.interaction,
            "reproducibility": parts.reproducibility,
            "gauge": parts.gauge,
            "lens": parts.lens,
            "total": parts.total,
        },
        "average_and_range": _ranges(field),
        "intervals": {
            name: _interval(getattr(field.intervals, name))
            for name in ("repeatability", "reproducibility", "gauge", "lens", "gauge_of_total", "categories")
        },
    }


def _ranges(field: FieldStudy) -> dict[str, float | None] | None:
    ranges = field.ranges
    if ranges is None:
        return None
    names = ("mean_range", "repeatability", "reproducibility", "gauge", "lens", "total", "categories")
    return {name: _number(getattr(ranges, name)) for name in names}
