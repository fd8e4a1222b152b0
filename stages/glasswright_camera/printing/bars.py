"""The bars for checking a print's size with a ruler: 100 mm and 4 inches, across and down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from glasswright_camera.printing.pen import Pen

BAR_MM: Final = 100.0
INCHES: Final = 4
INCH_MM: Final = 25.4
STRIP_MM: Final = 14.0
"""Width of the strip along a picture's side for a pair of bars."""
LENGTH_MM: Final = INCHES * INCH_MM
TICK_MM: Final = 4.0
THICK_MM: Final = 0.12


def draw_bars_across(pen: Pen, x: float, y: float) -> None:
    """Draw both bars with their left ends at x, in the strip whose top is at y."""
    for place, (length, step, label) in enumerate(_bars()):
        base = y + 5.5 + 6.0 * place
        pen.line(x, base, x + length, base, thick=THICK_MM)
        for tick, long in _ticks(length, step):
            pen.line(x + tick, base, x + tick, base - (TICK_MM if long else TICK_MM / 2), thick=THICK_MM)
        pen.text(x + length + 2, base, f"{label}, across", size=2.4)


def draw_bars_down(pen: Pen, x: float, y: float) -> None:
    """Draw both bars with their upper ends at y, in the strip whose left side is at x."""
    for place, (length, step, label) in enumerate(_bars()):
        base = x + 5.5 + 6.0 * place
        pen.line(base, y, base, y + length, thick=THICK_MM)
        for tick, long in _ticks(length, step):
            pen.line(base, y + tick, base - (TICK_MM if long else TICK_MM / 2), y + tick, thick=THICK_MM)
        pen.text(base - 2.4, y + length + 2, f"{label}, down", size=2.4, turn=90)


def _bars() -> tuple[tuple[float, float, str], ...]:
    """Return length, distance of ticks and label of each bar."""
    return (BAR_MM, 10.0, "100 mm"), (LENGTH_MM, INCH_MM / 2, "4 in")


def _ticks(length: float, step: float) -> list[tuple[float, bool]]:
    """Return each tick's place and whether it is one of the two ends, between which the length is measured."""
    count = round(length / step)
    return [(index * step, index in (0, count)) for index in range(count + 1)]
