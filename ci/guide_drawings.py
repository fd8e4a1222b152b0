"""Draws the pictures of the guide to commissioning: `python ci/guide_drawings.py`.

It writes `configs/drawings/commission_*.svg`. Lengths are in units of the drawing; nothing is to scale.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from glasswright.plugin.drawing import element, escape_text

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).resolve().parents[1]
WIDTH, HEIGHT = 760, 230
INK, WARM, PAPER, LIGHT = "#1b2427", "#835600", "#eceae3", "#f8ecd0"


def join(*parts: str) -> str:
    """Return elements one after another."""
    return "".join(parts)


def line(*points: float, colour: str = INK, dash: str | None = None, width: float = 1.5) -> str:
    """Return a line through points x, y, x, y ..."""
    pairs = " ".join(f"{x:.4g},{y:.4g}" for x, y in zip(points[::2], points[1::2], strict=True))
    return element("polyline", points=pairs, fill="none", stroke=colour, stroke_width=width, stroke_dasharray=dash)


def arrow(x1: float, y1: float, x2: float, y2: float, colour: str = INK, dash: str | None = None) -> str:
    """Return a line with a head at its end."""
    turn = math.atan2(y2 - y1, x2 - x1)
    sides = [(x2 - 9 * math.cos(turn + side), y2 - 9 * math.sin(turn + side)) for side in (0.45, -0.45)]
    head = line(*sides[0], x2, y2, *sides[1], colour=colour)
    return line(x1, y1, x2, y2, colour=colour, dash=dash) + head


def box(x: float, y: float, width: float, height: float, fill: str = "none", turn: float = 0.0) -> str:
    """Return a rectangle, turned by degrees about its middle."""
    about = f"rotate({turn:g} {x + width / 2:g} {y + height / 2:g})" if turn else None
    return element(
        "rect", x=x, y=y, width=width, height=height, fill=fill, stroke=INK, stroke_width=1.5, transform=about
    )


def disc(x: float, y: float, radius: float, fill: str = INK) -> str:
    """Return a disc."""
    return element("circle", cx=x, cy=y, r=radius, fill=fill, stroke=INK, stroke_width=1.5)


def text(x: float, y: float, words: str, anchor: str = "start") -> str:
    """Return a line of text."""
    return element("text", escape_text(words), x=x, y=y, fill=INK, stroke="none", text_anchor=anchor)


def camera(x: float, y: float) -> str:
    """Return a camera seen from the side, its lens towards the right; `x`, `y` is the lens's front."""
    return box(x - 96, y - 22, 62, 44, PAPER) + box(x - 34, y - 14, 34, 28, "#d9d7cf")


def lattice(x: float, y: float, width: float, turn: float = 0.0) -> str:
    """Return a print of 5 x 3 discs about its middle."""
    height, parts = width * 2 / 3, []
    for column in range(5):
        for row in range(3):
            parts.append(disc(x + (column - 2) * width / 5.5, y + (row - 1) * height / 3.5, width / 22))
    about = f"rotate({turn:g} {x:g} {y:g})"
    return element("g", box(x - width / 2, y - height / 2, width, height, "#ffffff"), *parts, transform=about)


def draw_sensor() -> str:
    """Draw the even source before the lens, and the exposures."""
    bars = [
        box(520 + 20 * k, 180 - h, 12, h, LIGHT) for k, h in enumerate((8, 14, 22, 32, 44, 58, 74, 92, 110, 118, 150))
    ]
    return join(
        disc(60, 110, 18, LIGHT),
        text(60, 160, "lamp", "middle"),
        arrow(84, 110, 124, 110, WARM),
        box(130, 50, 6, 120, PAPER),
        box(150, 50, 6, 120, PAPER),
        text(143, 40, "diffuser", "middle"),
        element("g", camera(-300, 110), transform="scale(-1 1)"),
        text(345, 160, "lens at f/8", "middle"),
        arrow(166, 110, 290, 110, WARM),
        *bars,
        line(510, 180, 750, 180),
        line(510, 50, 750, 50, dash="5 4"),
        text(512, 42, "white"),
        text(630, 204, "ten exposure times, two flats each,", "middle"),
        text(630, 222, "and two at twice white", "middle"),
    )


def draw_source() -> str:
    """Draw the source turned, shifted and tilted before a fixed camera."""
    return join(
        box(40, 60, 120, 80, LIGHT),
        box(55, 45, 120, 80, "none", 90),
        text(105, 190, "turned by 90°, 180°, 270°", "middle"),
        box(290, 60, 120, 80, LIGHT),
        box(325, 60, 120, 80),
        arrow(350, 100, 385, 100),
        text(365, 190, "shifted by 0.15 of the frame", "middle"),
        element("polygon", points="560,70 690,55 690,150 560,135", fill=LIGHT, stroke=INK),
        arrow(710, 70, 725, 100),
        text(630, 190, "tilted by 10°, four ways", "middle"),
        text(380, 222, "camera and lens stay as they are; only the source is moved", "middle"),
    )


def draw_print() -> str:
    """Draw the print and the camera's positions."""
    return join(
        lattice(90, 90, 130),
        text(90, 165, "frontal", "middle"),
        lattice(270, 90, 110, 90),
        text(270, 165, "rolled: 90°, 180°, 270°", "middle"),
        element("polygon", points="410,55 530,40 530,140 410,125", fill="#ffffff", stroke=INK),
        disc(445, 90, 6),
        disc(475, 90, 6.5),
        disc(505, 90, 7),
        text(470, 165, "tilted by 10 to 15°, four ways", "middle"),
        lattice(680, 90, 110),
        box(620, 40, 95, 100),
        text(670, 165, "shifted by a fifth", "middle"),
        text(380, 200, "the camera moves; the print stays on its rigid plate and is not touched", "middle"),
        text(380, 222, "a steel rule between two discs gives the size", "middle"),
    )


def draw_ink() -> str:
    """Draw the close frame with printed edge and blade, and its arrangement from above."""
    frame = (
        box(40, 40, 240, 150, "#ffffff"),
        element("polygon", points="40,40 100,40 85,190 40,190", fill=INK),
        element("polygon", points="160,40 222,40 210,190 160,190", fill="#8d8d8d", stroke=INK),
        line(160, 40, 160, 190),
        line(64, 70, 130, 70, 130, 160, 64, 160, 64, 70, colour=WARM, dash="4 3"),
        line(183, 70, 249, 70, 249, 160, 183, 160, 183, 70, colour=WARM, dash="4 3"),
    )
    return join(
        *frame,
        text(160, 30, "one frame, eight times closer", "middle"),
        text(100, 210, "printed edge", "middle"),
        text(218, 210, "blade", "middle"),
        camera(440, 115),
        line(560, 40, 560, 112, width=6),
        text(560, 30, "print", "middle"),
        line(560, 118, 560, 150, width=3),
        text(552, 172, "blade, in the", "middle"),
        text(552, 190, "print's plane", "middle"),
        line(444, 115, 554, 80, dash="5 4"),
        line(444, 115, 700, 160, dash="5 4"),
        box(700, 60, 10, 150, LIGHT),
        text(705, 48, "distant white", "middle"),
        text(580, 222, "then exchange print and blade", "middle"),
    )


def draw_standing() -> str:
    """Draw the mirror on the chart, and a lens turned in an adapter."""
    return join(
        camera(140, 100),
        box(330, 40, 8, 120, INK),
        box(318, 85, 10, 30, "#cfe3ea"),
        arrow(146, 100, 312, 100),
        arrow(312, 106, 150, 106),
        text(230, 90, "sees itself in the middle", "middle"),
        text(330, 180, "chart with mirror", "middle"),
        box(470, 70, 20, 70, PAPER),
        box(490, 80, 60, 44, "#d9d7cf", 6),
        text(505, 170, "0°", "middle"),
        box(620, 70, 20, 70, PAPER),
        box(640, 80, 60, 44, "#d9d7cf", -6),
        text(655, 170, "180°", "middle"),
        text(585, 205, "the lens's tilt turns with it, the body's stays", "middle"),
    )


def draw_focus() -> str:
    """Draw the inclined board with the foci moving along it."""
    foci = [disc(430 + 22 * k, 168 - 20 * k, 4, WARM) for k in range(7)]
    return join(
        camera(160, 105),
        line(400, 195, 600, 15, width=5),
        *foci,
        line(166, 105, 500, 105, dash="5 4"),
        text(620, 40, "board of discs"),
        arrow(470, 150, 540, 86, WARM),
        text(545, 120, "best focus moves along"),
        text(545, 138, "the board from shot to shot"),
        line(400, 195, 480, 195),
        text(452, 188, "angle"),
        text(380, 222, "seven shots, each one focus step farther, in one direction", "middle"),
    )


def draw_dust() -> str:
    """Draw flats of three lenses with common and own shadows."""
    parts = []
    for k, own in enumerate(((130, 60, 10), (60, 120, 14), (150, 130, 8))):
        x = 40 + 240 * k
        parts += [box(x, 30, 200, 133, PAPER), disc(x + 40, 70, 3), disc(x + 110, 120, 4)]
        parts += [disc(x + own[0], 30 + own[1] - 15, own[2], "#c9c6bb"), text(x + 100, 182, f"lens {k + 1}", "middle")]
    return "".join(
        (
            *parts,
            text(
                380, 212, "small shadows in one place with every lens are on the sensor, the others in a lens", "middle"
            ),
        )
    )


def draw_diffraction() -> str:
    """Draw MTF50 over the f-number below its limit."""
    limit = [(100 + 60 * k, 190 - 150 / (1 + 0.16 * k + 0.02 * k * k)) for k in range(10)]
    flat = [value for point in limit for value in point]
    measured = [disc(x, y + 10, 5, WARM) for x, y in limit[5:8]]
    return join(
        arrow(80, 200, 80, 20),
        arrow(80, 200, 690, 200),
        text(90, 26, "MTF50"),
        text(690, 222, "f-number", "end"),
        line(*flat, dash="6 4"),
        *measured,
        text(330, 75, "limit of diffraction and pixel: nothing can be above"),
        text(300, 180, "measured at f/11, f/16 and f/22: just below"),
    )


def draw_study() -> str:
    """Draw rounds of mountings in random order."""
    parts = []
    for k, order in enumerate(("ABCD", "CADB", "BDAC")):
        y = 50 + 48 * k
        parts.append(text(60, y + 6, f"round {k + 1}"))
        for place, name in enumerate(order):
            parts += [box(150 + 90 * place, y - 16, 60, 32, PAPER), text(180 + 90 * place, y + 6, name, "middle")]
            if place:
                parts.append(arrow(122 + 90 * place, y, 148 + 90 * place, y))
    return join(
        *parts,
        text(540, 80, "every lens mounted once in"),
        text(540, 98, "each round, in random order"),
        text(540, 146, "between rounds: another day,"),
        text(540, 164, "chart hung again, operator"),
    )


DRAWINGS: dict[str, tuple[Callable[[], str], str]] = {
    "sensor": (
        draw_sensor,
        "Lamp, diffuser and camera; flats at ten exposure times up to white, and two at twice white",
    ),
    "source": (draw_source, "The source turned, shifted and tilted before a fixed camera"),
    "print": (draw_print, "The print shot frontally, rolled, tilted and shifted; the camera moves"),
    "ink": (draw_ink, "A close frame with a printed edge and a blade, and its arrangement before a distant white"),
    "standing": (draw_standing, "A mirror on the chart in which the lens sees itself, and a lens turned in an adapter"),
    "focus": (draw_focus, "Best focus moves along the inclined board from shot to shot"),
    "dust": (draw_dust, "Flats of three lenses: common small shadows are dust on the sensor"),
    "diffraction": (draw_diffraction, "MTF50 over the f-number lies just below the limit of diffraction and pixel"),
    "study": (draw_study, "Three rounds in which four lenses are mounted in random order"),
}


def make_drawing(name: str) -> str:
    """Return the SVG of one step's drawing."""
    draw, label = DRAWINGS[name]
    return element(
        "svg", element("rect", width=WIDTH, height=HEIGHT, fill="#ffffff"), draw(),
        xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {WIDTH} {HEIGHT}", font_family="sans-serif", font_size=13,
        role="img", aria_label=label,
    ) + "\n"  # fmt: skip


def main() -> None:
    """Write all drawings."""
    for name in DRAWINGS:
        (ROOT / "configs" / "drawings" / f"commission_{name}.svg").write_text(make_drawing(name), encoding="utf-8")


if __name__ == "__main__":
    main()
