"""Drawings as SVG: what a plugin's pictures and the pages' own are made of.

Nothing here knows colours or fonts: elements bear class names that the pages' style sheet fills, so that one drawing
serves light, dark and paper. `LINE_KINDS` are told apart by dash as well as by colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

LINE_KINDS: Final = ("one", "two", "three", "four", "five")
"""Classes of lines and points that are shown side by side."""
SHADES: Final = 10
"""Steps of the shaded classes `shade0` to `shade9`, from low to high."""
TICK_STEPS: Final = (1.0, 2.0, 2.5, 5.0, 10.0)


class Picture(NamedTuple):
    """One drawing, ready to stand on a page."""

    title: str
    svg: str
    description: str
    """What it shows and how it is read, in a sentence or two."""


def element(name: str, *children: str, **attributes: str | float | None) -> str:
    """Return one SVG element.

    Parameters
    ----------
    children
        SVG, put in as it is; text goes through `words` first.
    attributes
        Escaped; `_` becomes `-` (`class_`, `text_anchor`), None leaves one out.
    """
    pairs = [
        f' {key.strip("_").replace("_", "-")}="{escape(value) if isinstance(value, str) else number(value)}"'
        for key, value in attributes.items()
        if value is not None
    ]
    inside = "".join(children)
    return f"<{name}{''.join(pairs)}>{inside}</{name}>" if inside else f"<{name}{''.join(pairs)}/>"


def words(text: str) -> str:
    """Escape a text for use inside an element."""
    return escape(text, quote=False)


def number(value: float) -> str:
    """Write a coordinate to a tenth of a unit, which is all that can be seen, in as few letters as that needs."""
    return f"{round(value, 1) + 0.0:.1f}".removesuffix(".0")


def canvas(width: float, height: float, *children: str, label: str, marks: bool = False, class_: str = "") -> str:
    """Return the whole drawing.

    Parameters
    ----------
    label
        Its name, for those who do not see it.
    marks
        Whether it holds marks (`mark`) that a reader can walk through with the arrow keys.
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


def label(x: float, y: float, text: str, *, anchor: str = "middle", class_: str = "tick", turn: bool = False) -> str:
    """Return a text; `anchor` is `start`, `middle` or `end`, `turn` sets it upright along the left."""
    transform = f"rotate(-90 {number(x)} {number(y)})" if turn else None
    return element("text", words(text), x=x, y=y, class_=class_, text_anchor=anchor, transform=transform)


def line(x1: float, y1: float, x2: float, y2: float, class_: str) -> str:
    """Return a straight line."""
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def path(points: Iterable[tuple[float, float]], class_: str, *, close: bool = False) -> str:
    """Return a line through points; those that are not finite break it."""
    parts, pen = [], "M"
    for x, y in points:
        if math.isfinite(x) and math.isfinite(y):
            parts.append(f"{pen}{number(x)} {number(y)}")
            pen = "L"
        else:
            pen = "M"
    return element("path", d="".join(parts) + ("Z" if close and parts else ""), class_=class_)


def mark(shape: str, tip: str) -> str:
    """Return a shape that says its number when a reader points at it or walks to it."""
    return element("g", element("title", words(tip)), shape, class_="mark")


def mark_dot(x: float, y: float, class_: str, radius: float, tip: str) -> str:
    """Return a round point that is a mark itself: the same as `mark` around `dot`, in fewer letters."""
    return element("circle", element("title", words(tip)), cx=x, cy=y, r=radius, class_=f"mark {class_}")


def dot(x: float, y: float, class_: str, radius: float = 4.0) -> str:
    """Return a round point."""
    return element("circle", cx=x, cy=y, r=radius, class_=class_)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A straight scale from values to places on the drawing."""

    low: float
    high: float
    start: float
    """Place of `low`."""
    end: float
    """Place of `high`; below `start` on an upright axis, for y runs down."""

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def ticks(self, most: int = 6) -> tuple[float, ...]:
        """Return round values within the scale, at most so many."""
        step = tick_step(self.high - self.low, most)
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return tuple(round(index * step, 12) for index in range(first, last + 1))

    def write(self, value: float, most: int = 6) -> str:
        """Write a tick with the decimals that its neighbours need."""
        step = tick_step(self.high - self.low, most)
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        if round(step, decimals) != round(step, decimals + 1):
            decimals += 1
        return f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def tick_step(width: float, most: int) -> float:
    """Return the round step that puts at most so many ticks on a width."""
    rough = width / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in TICK_STEPS if step * power >= rough * (1 - 1e-9))


def reach(values: Iterable[float], *, pad: float = 0.06, least: float = 0.0) -> tuple[float, float]:
    """Return the lowest and the highest of the finite values, with some room; (0, 1) where there are none.

    Parameters
    ----------
    pad
        Room on each side, of the width.
    least
        The width to keep at least, about the middle.
    """
    finite = [value for value in values if math.isfinite(value)]
    if not finite:
        return 0.0, 1.0
    low, high = min(finite), max(finite)
    width = max(high - low, least) or abs(high) * 0.1 or 1.0
    middle = (low + high) / 2
    return middle - width * (0.5 + pad), middle + width * (0.5 + pad)


def shade(value: float, low: float, high: float) -> str:
    """Return the shaded class of a value, `shade0` to `shade9`; `unshaded` where it is not finite."""
    if not math.isfinite(value):
        return "unshaded"
    place = 0.5 if high <= low else (value - low) / (high - low)
    return f"shade{min(max(int(place * SHADES), 0), SHADES - 1)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Two straight axes and what is drawn between them."""

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
        """Lay a plot out: the values that its axes run over, and the places of its four sides."""
        return cls(
            x=Scale(low=across[0], high=across[1], start=left, end=right),
            y=Scale(low=up[0], high=up[1], start=bottom, end=top),
        )

    def axes(self, across: str, up: str, *, ticks: tuple[int, int] = (7, 6)) -> str:
        """Draw the grid, the ticks and the names of the axes, which hold their units."""
        left, right, bottom, top = self.x.start, self.x.end, self.y.start, self.y.end
        parts = []
        for value in self.y.ticks(ticks[1]):
            y = self.y(value)
            parts.append(line(left, y, right, y, "grid"))
            parts.append(label(left - 7, y + 4, self.y.write(value, ticks[1]), anchor="end"))
        for value in self.x.ticks(ticks[0]):
            x = self.x(value)
            parts.append(line(x, bottom, x, bottom + 5, "axis"))
            parts.append(label(x, bottom + 19, self.x.write(value, ticks[0])))
        parts.append(path([(left, top), (left, bottom), (right, bottom)], "axis"))
        parts.append(label((left + right) / 2, bottom + 38, across, class_="name"))
        parts.append(label(15, (top + bottom) / 2, up, class_="name", turn=True))
        return "".join(parts)

    def line(self, xs: Sequence[float], ys: Sequence[float], class_: str) -> str:
        """Draw a line through values."""
        return path([(self.x(x), self.y(y)) for x, y in zip(xs, ys, strict=True)], class_)

    def band(self, xs: Sequence[float], lows: Sequence[float], highs: Sequence[float], class_: str = "band") -> str:
        """Fill what lies between two lines."""
        there = [(self.x(x), self.y(y)) for x, y in zip(xs, lows, strict=True)]
        back = [(self.x(x), self.y(y)) for x, y in zip(xs, highs, strict=True)]
        return path([*there, *reversed(back)], class_, close=True)

    def bar(self, x: float, y: float, half: float, class_: str) -> str:
        """Draw an uncertainty: from `half` below to `half` above."""
        if not math.isfinite(half):
            return ""
        at, low, high = self.x(x), self.y(y - half), self.y(y + half)
        caps = line(at - 4, low, at + 4, low, class_) + line(at - 4, high, at + 4, high, class_)
        return line(at, low, at, high, class_) + caps
