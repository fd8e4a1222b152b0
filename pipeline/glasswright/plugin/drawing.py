"""SVG drawings: the elements from which plugins and pages build their pictures.

Elements have class names instead of colours and fonts; the style sheet of the pages defines those for light, dark and
print. The `LINE_KINDS` differ in dash as well as colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

LINE_KINDS: Final = ("one", "two", "three", "four", "five")
"""Classes of lines and points for several series in one plot."""
SHADES: Final = 10
"""Steps of the shaded classes `shade0` to `shade9`, from low to high."""
TICK_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)


class Picture(NamedTuple):
    """One drawing for a page."""

    title: str
    svg: str
    description: str
    """What it shows and how to read it, in one or two sentences."""


def element(name: str, *children: str, **attributes: str | float | None) -> str:
    """Return one SVG element.

    Parameters
    ----------
    children
        SVG, inserted unchanged; text must go through `escape_text` first.
    attributes
        Escaped; `_` becomes `-` (`class_`, `text_anchor`); None omits one.
    """
    pairs = [
        f' {key.strip("_").replace("_", "-")}="{escape(value) if isinstance(value, str) else number(value)}"'
        for key, value in attributes.items()
        if value is not None
    ]
    inside = "".join(children)
    return f"<{name}{''.join(pairs)}>{inside}</{name}>" if inside else f"<{name}{''.join(pairs)}/>"


def escape_text(text: str) -> str:
    """Escape a text for use inside an element."""
    return escape(text, quote=False)


def number(value: float) -> str:
    """Format a coordinate to a tenth of a unit, the smallest visible step."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def canvas(width: float, height: float, *children: str, label: str, marks: bool = False, class_: str = "") -> str:
    """Return the whole drawing.

    Parameters
    ----------
    label
        Its accessible name.
    marks
        Whether it has marks (`mark`) that the arrow keys step through.
    """
    return element(
        "svg",
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(width)} {number(height)}",
        class_=" ".join(part for part in ("drawing", class_, "marks" if marks else "") if part),
        role="group" if marks else "img",
        tabindex="0" if marks else None,
        aria_label=label,
    )


def label(x: float, y: float, text: str, *, anchor: str = "middle", class_: str = "tick") -> str:
    """Return a text; `anchor` is `start`, `middle` or `end`."""
    return element("text", escape_text(text), x=x, y=y, class_=class_, text_anchor=anchor)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> str:
    """Return a straight line."""
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def path(points: Iterable[tuple[float, float]], class_: str, *, close: bool = False) -> str:
    """Return a line through points; points that are not finite interrupt it."""
    parts, pen = [], "M"
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            parts.append(f"{pen}{number(x)} {number(y)}")
            pen = "L"
        else:
            pen = "M"
    return element("path", d="".join(parts) + ("Z" if close and parts else ""), class_=class_)


def mark(shape: str, tip: str) -> str:
    """Return a shape that shows `tip` when it is pointed at or focused."""
    return element("g", element("title", escape_text(tip)), shape, class_="mark")


def mark_dot(x: float, y: float, class_: str, radius: float, tip: str) -> str:
    """Return `mark` around `dot` in a shorter form."""
    return element("circle", element("title", escape_text(tip)), cx=x, cy=y, r=radius, class_=f"mark {class_}")


def dot(x: float, y: float, class_: str, radius: float = 4.0) -> str:
    """Return a round point."""
    return element("circle", cx=x, cy=y, r=radius, class_=class_)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A linear scale from values to coordinates."""

    low: float
    high: float
    start: float
    """Coordinate of `low`."""
    end: float
    """Coordinate of `high`; less than `start` on a vertical axis, because y runs down."""

    def __call__(self, value: float) -> float:
        """Return the coordinate of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def ticks(self, most: int = 6) -> tuple[float, ...]:
        """Return at most `most` round values within the scale."""
        step = tick_step(self.high - self.low, most)
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return tuple(round(index * step, 12) for index in range(first, last + 1))

    def write(self, value: float, most: int = 6) -> str:
        """Format a tick with the decimals that the tick step needs."""
        step = tick_step(self.high - self.low, most)
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        if round(step, decimals) != round(step, decimals + 1):
            decimals += 1
        return f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def tick_step(width: float, most: int) -> float:
    """Return the smallest round step that puts at most `most` ticks on a width."""
    rough = width / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in TICK_STEPS if step * power >= rough * (1 - 1e-9))


def reach(values: Iterable[float], *, pad: float = 0.06, least: float = 0.0) -> tuple[float, float]:
    """Return the range of the finite values with a margin; (0, 1) where there are none.

    Parameters
    ----------
    pad
        Margin on each side, as a fraction of the width.
    least
        The least width, about the middle.
    """
    finite = [value for value in values if math.isfinite(value)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    width = max(high - low, least) or abs(high) * 0.1 or 1.0
    middle = (low + high) / 2
    return middle - width * (0.5 + pad), middle + width * (0.5 + pad)


def shade(value: float, low: float, high: float) -> str:
    """Return the shading class of a value, `shade0` to `shade9`; `unshaded` if it is not finite."""
    if not math.isfinite(value):
        return "unshaded"
    place = 0.5 if high <= low else (value - low) / (high - low)
    return f"shade{min(max(int(place * SHADES), 0), SHADES - 1)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A plot with two linear axes."""

    x: Scale
    y: Scale

    @classmethod
    def between(
        cls,
        across: tuple[float, float],
        up: tuple[float, float],
        *,
        left: float = 62,
        top: float = 18,
        right: float = 540,
        bottom: float = 290,
    ) -> Plot:
        """Return a plot from the ranges of its axes and the coordinates of its four sides."""
        return cls(
            x=Scale(low=across[0], high=across[1], start=left, end=right),
            y=Scale(low=up[0], high=up[1], start=bottom, end=top),
        )

    def axes(self, across: str, up: str, *, ticks: tuple[int, int] = (7, 6)) -> str:
        """Draw the grid, the ticks and the names of the axes (with units); 0 ticks for none."""
        left, right, bottom, top = self.x.start, self.x.end, self.y.start, self.y.end
        parts = [line(left, self.y(value), right, self.y(value), "grid") for value in self.y.ticks(ticks[1])]
        parts.append(self.name_up(up, most=ticks[1]))
        for value in self.x.ticks(ticks[0]) if ticks[0] else ():
            x = self.x(value)
            parts.append(line(x, bottom, x, bottom + 5, "axis"))
            parts.append(label(x, bottom + 19, self.x.write(value, ticks[0])))
        parts.append(path([(left, top), (left, bottom), (right, bottom)], "axis"))
        parts.append(label((left + right) / 2, bottom + 38, across, class_="name"))
        return "".join(parts)

    def name_up(self, up: str, *, most: int = 6) -> str:
        """Draw the numbers of the vertical axis, and its name above it, where wide numbers leave it room."""
        left = self.x.start
        numbers = [
            label(left - 7, self.y(value) + 4, self.y.write(value, most), anchor="end") for value in self.y.ticks(most)
        ]
        return "".join([*numbers, label(left - 2, self.y.end - 7, up, class_="name", anchor="start")])

    def line(self, xs: Sequence[float], ys: Sequence[float], class_: str) -> str:
        """Draw a line through values."""
        return path([(self.x(x), self.y(y)) for x, y in zip(xs, ys, strict=True)], class_)

    def band(self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float], class_: str = "band") -> str:
        """Fill the area between two lines."""
        there = [(self.x(x), self.y(y)) for x, y in zip(xs, lows, strict=True)]
        back = [(self.x(x), self.y(y)) for x, y in zip(xs, highs, strict=True)]
        return path([*there, *reversed(back)], class_, close=True)

    def bar(self, x: float, y: float, half: float, class_: str) -> str:
        """Draw an error bar from `y - half` to `y + half`."""
        if not math.isfinite(half):
            return ""
        at, low, high = self.x(x), self.y(y - half), self.y(y + half)
        caps = line(at - 4, low, at + 4, low, class_) + line(at - 4, high, at + 4, high, class_)
        return line(at, low, at, high, class_) + caps
