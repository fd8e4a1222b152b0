"""Plots of a measure over the f-number, with all settings of a ticket and their limits."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING, Final

from glasswright.plugin.drawing import (
    LINE_KINDS,
    Picture,
    Plot,
    canvas,
    dot,
    element,
    escape_text,
    label,
    line,
    mark,
    path,
    reach,
)
from glasswright.reports.pages.formats import (
    COVERAGE,
    format_heading,
    format_measure,
    format_step,
    format_unit,
    format_value,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from glasswright.ledger.records import KeptOutcome
    from glasswright.ledger.verdict import LimitVerdict
    from glasswright.plugin.artefact import Setting
    from glasswright.plugin.measurements import Measured

LEAST_POINTS: Final = 2
NAME_HEIGHT: Final = 17.0
"""Between the names of two lines."""
Points = dict[tuple[float | None, float | None], list[tuple[float, "Measured"]]]
"""(focal length, focus distance) -> (f-number, measurement)."""


def draw_sweeps(outcomes: Iterable[KeptOutcome], verdicts: Sequence[LimitVerdict]) -> list[Picture]:
    """Draw every measure that has a limit and was measured at two or more f-numbers."""
    kept = [each for each in outcomes if each.setting is not None and each.setting.f_number is not None]
    pictures = []
    for measure in dict.fromkeys(each.measure for each in verdicts):
        found = _collect(measure, kept)
        if any(len({f_number for f_number, _ in points}) >= LEAST_POINTS for points in found.values()):
            limits = {each.at: each for each in verdicts if each.measure == measure}
            pictures.append(_draw(measure, found, limits))
    return pictures


def _collect(measure: str, outcomes: Sequence[KeptOutcome]) -> Points:
    step, _, field = measure.partition(".")
    found: Points = defaultdict(list)
    for outcome in outcomes:
        measured = outcome.measured.get(field)
        if outcome.step != step or measured is None or measured.value is None or not math.isfinite(measured.value):
            continue
        setting = outcome.setting
        if setting is not None and setting.f_number is not None:
            found[setting.focal_length_mm, setting.focus_distance_m].append((setting.f_number, measured))
    return found


def _half_width(measured: Measured) -> float:
    """Return half the length of a value's error bar; 0 if it has no valid uncertainty."""
    return COVERAGE * measured.u if measured.u is not None and 0 <= measured.u < math.inf else 0.0


def _draw(measure: str, found: Points, limits: Mapping[str, LimitVerdict]) -> Picture:
    values = [(m.value or 0.0, _half_width(m)) for points in found.values() for _, m in points]
    edges = [edge for each in limits.values() for edge in (each.lower, each.upper) if edge is not None]
    up = reach([*(v - u for v, u in values), *(v + u for v, u in values), *edges], pad=0.08)
    f_numbers = sorted({f_number for points in found.values() for f_number, _ in points})
    stops = [2 * math.log2(each) for each in f_numbers]
    plot = Plot.between((stops[0] - 0.4, stops[-1] + 0.4), up, left=74, bottom=250)
    unit = format_unit(measure)
    parts = [_draw_axes(plot, f_numbers, f"{format_measure(measure)}{f' ({unit})' if unit else ''}")]
    lines = list(zip(LINE_KINDS * 4, sorted(found.items(), key=str), strict=False))
    for kind, (_, points) in lines:
        parts.append(_draw_points(plot, kind, sorted(points, key=lambda point: point[0])))
    parts += _name_lines(plot, [(kind, place[0], points) for kind, (place, points) in lines]) if len(found) > 1 else []
    parts += [_draw_limits(plot, each) for each in limits.values()]
    title = format_heading(f"{format_step(measure.partition('.')[0])}: {format_measure(measure)}")
    described = "Bars are two standard uncertainties of the measurement itself; limits are drawn at their settings."
    return Picture(title, canvas(560, 310, *parts, label=title, marks=True), described)


def _draw_axes(plot: Plot, f_numbers: Sequence[float], up: str) -> str:
    left, right, bottom, top = plot.x.start, plot.x.end, plot.y.start, plot.y.end
    parts = [line(left, plot.y(value), right, plot.y(value), "grid") for value in plot.y.ticks()]
    for f_number in f_numbers:
        x = plot.x(2 * math.log2(f_number))
        parts.append(line(x, bottom, x, bottom + 5, "axis") + label(x, bottom + 19, f"f/{f_number:g}"))
    parts.append(path([(left, top), (left, bottom), (right, bottom)], "axis"))
    parts.append(label((left + right) / 2, bottom + 40, "f-number", class_="name"))
    parts.append(plot.name_up(up))
    return "".join(parts)


def _draw_points(plot: Plot, kind: str, points: Sequence[tuple[float, Measured]]) -> str:
    places = [2 * math.log2(f_number) for f_number, _ in points]
    parts = [plot.line(places, [measured.value or 0.0 for _, measured in points], f"line {kind} plain")]
    for x, (f_number, measured) in zip(places, points, strict=True):
        value = measured.value or 0.0
        bar = plot.bar(x, value, _half_width(measured), f"bar {kind}")
        tip = f"f/{f_number:g}: {format_value(value, measured.u)} {measured.unit}"
        parts.append(mark(bar + dot(plot.x(x), plot.y(value), f"fill {kind}", 3.6), tip))
    return "".join(parts)


def _name_lines(plot: Plot, lines: Sequence[tuple[str, float | None, Sequence[tuple[float, Measured]]]]) -> list[str]:
    """Return a label at the end of each line, from the top down; a label that would cover another is moved below it."""
    ends = []
    for kind, focal_length, points in lines:
        f_number, measured = max(points, key=lambda point: point[0])
        name = f"{focal_length:g} mm" if focal_length is not None else "any"
        ends.append((plot.y(measured.value or 0.0) - 8, plot.x(2 * math.log2(f_number)) - 8, kind, name))
    parts, free = [], -math.inf
    for y, x, kind, name in sorted(ends):
        place = max(y, free)
        free = place + NAME_HEIGHT
        parts.append(element("text", escape_text(name), x=x, y=place, class_=f"tick ink {kind}", text_anchor="end"))
    return parts


def _draw_limits(plot: Plot, each: LimitVerdict) -> str:
    f_number = _f_number_of(each.at)
    if f_number is None:
        return ""
    x = plot.x(2 * math.log2(f_number))
    parts = []
    for edge, outwards in ((each.lower, 1), (each.upper, -1)):
        if edge is not None:
            y = plot.y(edge)
            corners = [(x - 12, y + outwards * 5), (x - 12, y), (x + 12, y), (x + 12, y + outwards * 5)]
            parts.append(path(corners, "limit"))
    return "".join(parts)


def _f_number_of(at: str) -> float | None:
    """Return the f-number in a setting's text; None if there is none."""
    for part in at.split():
        if part.startswith("f/"):
            try:
                return float(part[2:])
            except ValueError:
                return None
    return None


def settings_of(outcomes: Iterable[KeptOutcome]) -> list[Setting]:
    """Return the settings of outcomes, sorted."""
    found = {each.setting for each in outcomes if each.setting is not None}
    return sorted(found, key=lambda setting: setting.sort_key)
