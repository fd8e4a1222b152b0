"""The strip chart of one number with its limits, in a row of a ticket's table."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from glasswright.ledger.verdict import Verdict
from glasswright.plugin.drawing import Scale, canvas, element, label, line, path, reach
from glasswright.reports.pages.formats import COVERAGE, format_limits, format_value

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright.ledger.verdict import LimitVerdict

WIDTH: Final = 340.0
EDGE: Final = 16.0
MIDDLE: Final = 15.0
HEIGHT: Final = 30.0
AXIS: Final = 22.0
"""Height of the axis below the last strip of a measure."""
KINDS: Final = {
    Verdict.PASS: "pass",
    Verdict.FAIL: "fail",
    Verdict.REVIEW: "review",
    Verdict.UNKNOWN: "unknown",
    Verdict.NOT_APPLICABLE: "skipped",
}


def lay_scale(verdicts: Sequence[LimitVerdict]) -> Scale:
    """Return the common scale of a measure's strips, which covers every value, uncertainty, limit and guard band."""
    values = []
    for each in verdicts:
        u = COVERAGE * (each.u or 0.0)
        for edge, inwards in ((each.lower, 1), (each.upper, -1)):
            values += [edge, edge + inwards * (each.guard or 0.0)] if edge is not None else []
        values += [each.value - u, each.value + u] if each.value is not None else []
    low, high = reach(values, pad=0.1)
    return Scale(low=low, high=high, start=EDGE, end=WIDTH - EDGE)


def draw_strip(each: LimitVerdict, scale: Scale, *, with_axis: bool) -> str:
    """Draw a strip: the allowed range, the guard band, and the value with its expanded uncertainty."""
    parts = [_draw_allowed(each, scale), _draw_guard(each, scale)]
    parts += [_draw_limit(edge, scale, outwards) for edge, outwards in ((each.lower, -1), (each.upper, 1))]
    if each.value is not None and math.isfinite(each.value):
        parts.append(_draw_value(each, scale))
    else:
        parts.append(_format_nothing(each, scale))
    if with_axis:
        parts.append(_draw_axis(scale))
    name = f"{format_value(each.value, each.u)}, limit {format_limits(each.lower, each.upper)}: {each.verdict}"
    return canvas(WIDTH, HEIGHT + (AXIS if with_axis else 0), *parts, label=name, class_="strip")


def _draw_allowed(each: LimitVerdict, scale: Scale) -> str:
    left = EDGE if each.lower is None else scale(each.lower)
    right = WIDTH - EDGE if each.upper is None else scale(each.upper)
    ground = line(EDGE, MIDDLE, WIDTH - EDGE, MIDDLE, "rail")
    return element("rect", x=left, y=MIDDLE - 8, width=max(right - left, 0.0), height=16.0, class_="allowed") + ground


def _draw_guard(each: LimitVerdict, scale: Scale) -> str:
    if not each.guard:
        return ""
    parts = []
    for edge, inwards in ((each.lower, 1), (each.upper, -1)):
        if edge is not None:
            ends = sorted((scale(edge), scale(edge + inwards * each.guard)))
            parts.append(element("rect", x=ends[0], y=MIDDLE - 8, width=ends[1] - ends[0], height=16.0, class_="guard"))
    return "".join(parts)


def _draw_limit(edge: float | None, scale: Scale, outwards: int) -> str:
    if edge is None:
        return ""
    x = scale(edge)
    out = x + outwards * 5
    return path([(out, MIDDLE - 11), (x, MIDDLE - 11), (x, MIDDLE + 11), (out, MIDDLE + 11)], "limit")


def _draw_value(each: LimitVerdict, scale: Scale) -> str:
    value, half = each.value or 0.0, COVERAGE * (each.u or 0.0)
    kind = KINDS[each.verdict]
    parts = []
    if half:
        low, high = scale(value - half), scale(value + half)
        parts += [line(low, MIDDLE, high, MIDDLE, f"bar {kind}")]
        parts += [line(x, MIDDLE - 4, x, MIDDLE + 4, f"bar {kind}") for x in (low, high)]
    return "".join([*parts, draw_sign(scale(value), MIDDLE, each.verdict)])


def draw_sign(x: float, y: float, verdict: Verdict, size: float = 5.0) -> str:
    """Draw the symbol of a verdict: circle PASS, cross FAIL, triangle REVIEW, square UNKNOWN, bar NOT_APPLICABLE."""
    kind = KINDS[verdict]
    if verdict is Verdict.PASS:
        return element("circle", cx=x, cy=y, r=size, class_=f"sign {kind}")
    if verdict is Verdict.REVIEW:
        corners = [(x, y - size * 1.15), (x + size * 1.1, y + size * 0.8), (x - size * 1.1, y + size * 0.8)]
        return path(corners, f"sign {kind}", close=True)
    if verdict is Verdict.UNKNOWN:
        return element("rect", x=x - size, y=y - size, width=2 * size, height=2 * size, class_=f"sign {kind}")
    if verdict is Verdict.NOT_APPLICABLE:
        return line(x - size, y, x + size, y, f"cross {kind}")
    cross = [line(x - size, y - size, x + size, y + size, f"cross {kind}")]
    cross.append(line(x - size, y + size, x + size, y - size, f"cross {kind}"))
    return "".join(cross)


def _format_nothing(each: LimitVerdict, scale: Scale) -> str:
    """Draw the text `not measured`, away from a single limit."""
    edges = [scale(edge) for edge in (each.lower, each.upper) if edge is not None]
    x = WIDTH / 2
    if len(edges) == 1:
        x = WIDTH * (0.75 if edges[0] < WIDTH / 2 else 0.25)
    return label(x, MIDDLE + 4, "not applicable" if each.verdict is Verdict.NOT_APPLICABLE else "not measured")


def _draw_axis(scale: Scale) -> str:
    y = HEIGHT + 1
    parts = [line(EDGE, y, WIDTH - EDGE, y, "axis")]
    for value in scale.ticks(5):
        parts.append(line(scale(value), y, scale(value), y + 4, "axis"))
        parts.append(label(scale(value), y + 17, scale.write(value, 5)))
    return "".join(parts)
