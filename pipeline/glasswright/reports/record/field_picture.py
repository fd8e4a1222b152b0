"""The picture on a record: numbers at places of the frame, now and at the earlier visit, chosen by a plugin."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from reportlab.graphics.shapes import Circle, Drawing, Rect, String
from reportlab.lib.colors import Color
from reportlab.lib.units import mm

from glasswright.plugin.paper import BOLD, PLAIN, clean_text
from glasswright.reports.names import installed_plugins

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright.ledger import TicketState
    from glasswright.plugin.artefact import Setting
    from glasswright.plugin.plugin_drawings import FieldMap

ASPECT: Final = 1.5
"""Of the frame as it is drawn."""
GAP: Final = 8 * mm
TALLEST: Final = 40 * mm
INK: Final = Color(0.1, 0.1, 0.1)
PALE, DARK = (0.93, 0.95, 0.94), (0.45, 0.68, 0.62)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedNumber:
    """One number on the frame."""

    across: float
    down: float
    text: str
    share: float
    """Of the largest number of the picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSide:
    """One visit."""

    caption: str
    numbers: tuple[PlacedNumber, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPicture:
    """One or two visits side by side, on one scale."""

    heading: str
    note: str
    sides: tuple[FieldSide, ...]


def map_field(state: TicketState, before: TicketState | None) -> FieldPicture | None:
    """Return the picture of a ticket; None if no plugin chooses numbers, or none of them was measured.

    It shows the widest aperture at the shortest focal length that both visits have; only the later visit if they have
    none in common.
    """
    for step, field in installed_plugins().drawings.maps.items():
        now = _read(state, step, field)
        if not now:
            continue
        then = _read(before, step, field) if before is not None else {}
        shared = sorted(now.keys() & then.keys(), key=_width) or sorted(now, key=_width)
        setting = shared[0]
        visits = [(f"now: ticket {state.record.ticket.number}", now[setting])]
        if before is not None and setting in then:
            day = before.measured_at.partition("T")[0]
            ticket = before.record.ticket
            visits.insert(0, (f"before: ticket {ticket.number}, {ticket.phase}, {day}", then[setting]))
        largest = max(abs(value) for _, numbers in visits for value in numbers.values())
        return FieldPicture(
            heading=clean_text(f"{field.title} at {setting}"),
            note=clean_text(field.note),
            sides=tuple(
                FieldSide(
                    caption=clean_text(caption),
                    numbers=tuple(
                        PlacedNumber(
                            across=across,
                            down=down,
                            text=f"{numbers[path]:#.3g}".rstrip("."),
                            share=round(abs(numbers[path]) / largest, 4) if largest else 0.0,
                        )
                        for path, (across, down) in field.places.items()
                        if path in numbers
                    ),
                )
                for caption, numbers in visits
            ),
        )
    return None


def _read(state: TicketState, step: str, field: FieldMap) -> Mapping[Setting, Mapping[str, float]]:
    """Return the numbers of each setting."""
    found: dict[Setting, dict[str, float]] = {}
    for outcome in state.outcomes:
        if outcome.step != step or outcome.setting is None or outcome.shot:
            continue
        for path in field.places:
            measured = outcome.measured.get(path)
            if measured is not None and measured.value is not None and math.isfinite(measured.value):
                found.setdefault(outcome.setting, {})[path] = measured.value
    return found


def _width(setting: Setting) -> tuple[float, tuple[float, ...]]:
    return setting.f_number or math.inf, setting.sort_key


def draw_field(picture: FieldPicture, width: float) -> Drawing:
    """Return the drawing for a column of the given width in points."""
    wide = min((width - GAP) / 2, TALLEST * ASPECT)
    tall = wide / ASPECT
    drawing = Drawing(width, tall + 5 * mm)
    for place, side in enumerate(picture.sides):
        _draw_side(drawing, side, place * (wide + GAP), wide, tall)
    return drawing


def _draw_side(drawing: Any, side: FieldSide, left: float, wide: float, tall: float) -> None:  # noqa: ANN401
    drawing.add(Rect(left, 0, wide, tall, fillColor=None, strokeColor=INK, strokeWidth=0.6))
    drawing.add(String(left, tall + 1.5 * mm, side.caption, fontName=PLAIN, fontSize=8, fillColor=INK))
    radius = tall * 0.15
    for each in side.numbers:
        x, y = left + wide * (0.5 + each.across / 2), tall * (0.5 - each.down / 2)
        colour = Color(*(pale + each.share * (dark - pale) for pale, dark in zip(PALE, DARK, strict=True)))
        drawing.add(Circle(x, y, radius, fillColor=colour, strokeColor=None))
        drawing.add(String(x, y - 3, each.text, fontName=BOLD, fontSize=8.5, fillColor=INK, textAnchor="middle"))
