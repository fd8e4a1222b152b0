"""Drawings of centring: directions of the signs of tilt, centres of symmetry, and best focus across the field."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.plugin.drawing import (
    Picture,
    Plot,
    canvas,
    dot,
    element,
    label,
    line,
    mark,
    number,
    path,
    reach,
    tick_step,
)
from glasswright_camera.field import clock_time
from glasswright_camera.plots import WIDTH, arrow, legend, plot_canvas

if TYPE_CHECKING:
    from glasswright_camera.centring.result import Centring

COVERAGE: Final = 2.0
NO_DIRECTION_DEG: Final = 60.0
"""A direction with a larger standard uncertainty is not shown."""
MINUS: Final = "\N{MINUS SIGN}"
RADIUS: Final = 66.0
SOFT_SIDES: Final = "two soft sides"
CENTRES: Final = {"red": "two", "blue": "one", "falloff": "four"}

TILT_OF: Final = {
    "lens": " The tilt is the lens's own.",
    "lens and body": " The tilt is of lens and body together, for no reference lens is known.",
    "not separable": " The chart's own tilt could not be separated from the lens's.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dial:
    """One sign of tilt or decentring: its size and its direction."""

    name: str
    unit: str
    size: float
    size_u: float
    deg: float
    deg_u: float
    is_axis: bool = False
    """Whether both ends of the direction count alike."""

    @property
    def aside_u(self) -> float:
        """Standard uncertainty across the direction, in the unit of the size."""
        return self.size * float(np.radians(self.deg_u))

    @property
    def full(self) -> float:
        """Size that the ring represents: a round number above the sign and its expanded uncertainty."""
        most = self.size + COVERAGE * max(self.size_u, self.aside_u)
        step = tick_step(max(most, 1e-9), 6)
        return float(np.ceil(most / step) * step) or step

    @property
    def has_direction(self) -> bool:
        """Whether the direction is known."""
        return self.deg_u < NO_DIRECTION_DEG


def read_dials(centring: Centring) -> list[Dial]:
    """Return the signs with a direction that were measured."""
    side, sides, coma, tilt = (
        (centring.side_slope_frac, centring.side_slope_frac_u, centring.worse_side_deg, centring.worse_side_deg_u),
        (centring.soft_sides_frac, centring.soft_sides_frac_u, centring.soft_sides_deg, centring.soft_sides_deg_u),
        (centring.coma_ratio, centring.coma_ratio_u, centring.coma_deg, centring.coma_deg_u),
        (
            centring.focus_tilt_arcmin,
            centring.focus_tilt_arcmin_u,
            centring.focus_tilt_deg,
            centring.focus_tilt_deg_u,
        ),
    )
    named = [
        ("softer side", "% in a half-diagonal", (100 * side[0], 100 * side[1], *side[2:])),
        (SOFT_SIDES, "% softer than between", (100 * sides[0], 100 * sides[1], *sides[2:])),
        ("coma in the middle", "of aberrated lenses' rms", coma),
        ("tilt of best focus", "arc minutes", tilt),
    ]
    return [
        Dial(name=name, unit=unit, size=size, size_u=size_u, deg=deg, deg_u=deg_u, is_axis=name == SOFT_SIDES)
        for name, unit, (size, size_u, deg, deg_u) in named
        if np.isfinite([size, size_u, deg, deg_u]).all()
    ]


def draw_centring(centring: Centring) -> list[Picture]:
    """Draw the results: up to three drawings."""
    dials = read_dials(centring)
    pictures = [_draw_dials(dials, centring.tilt_of)] if dials else []
    return [*pictures, *_draw_centres(centring), *_draw_bowl(centring)]


def _draw_dials(dials: list[Dial], tilt_of: str) -> Picture:
    apart = WIDTH / max(len(dials), 3)
    parts = [_draw_dial(dial, apart * (k + 0.5)) for k, dial in enumerate(dials)]
    described = (
        "Arrows point, on the frame as in the file, to the softer side, along the tails of points, and to the side "
        "whose focus lies behind the sensor; the line without a head joins two opposite soft sides, with a sharp band "
        "between them. Each ring has its own scale. The shaded patch about an arrow's end is two "
        "standard uncertainties; where it reaches the middle, the sign is not significant. Times are those of "
        "a clock face about the lens, seen from its front with the camera upright: right stays right, down becomes up."
        f"{TILT_OF.get(tilt_of, '')}"
    )
    title = "Signs of tilt and decentring"
    return Picture(title, canvas(WIDTH, 256, *parts, label=title, marks=True), described)


def _draw_dial(dial: Dial, x: float) -> str:
    y, unit = 100.0, RADIUS / dial.full
    turn = np.radians(dial.deg)
    along = dial.size * unit * np.array([np.cos(turn), np.sin(turn)])
    end, start = (x + along[0], y + along[1]), (x - along[0], y - along[1])
    patch = element(
        "ellipse",
        cx=end[0],
        cy=end[1],
        rx=COVERAGE * dial.size_u * unit,
        ry=COVERAGE * dial.aside_u * unit,
        class_="band",
        transform=f"rotate({number(dial.deg)} {number(end[0])} {number(end[1])})",
    )
    ring = dot(x, y, "frame", RADIUS)
    cross = line(x - RADIUS, y, x + RADIUS, y, "grid") + line(x, y - RADIUS, x, y + RADIUS, "grid")
    if dial.is_axis:
        shaft = line(*start, *end, "line one plain")
    else:
        shaft = path(arrow((x, y), end), "line one plain") or dot(x, y, "fill one", 2.5)
    size = f"{_round(dial.size, dial.size_u)} ± {_round(COVERAGE * dial.size_u, dial.size_u)}"
    way = f"{'along' if dial.is_axis else 'towards'} {dial.deg:.0f}° ± {COVERAGE * dial.deg_u:.0f}°"
    times = clock_time(dial.deg) + (f", {clock_time(dial.deg + 180)}" if dial.is_axis else "")
    way, lens = (way, [label(x, 234, f"on the lens at {times}")]) if dial.has_direction else ("direction not known", [])
    parts = [
        label(x, 22, dial.name, class_="name"),
        ring,
        cross,
        mark(patch + shaft, f"{dial.name}: {size} {dial.unit}, {way}"),
        label(x + RADIUS * 0.71 + 4, y - RADIUS * 0.71 - 4, f"{dial.full:g}", anchor="start"),
        label(x, 186, size),
        label(x, 202, dial.unit),
        label(x, 218, way),
        *lens,
    ]
    return "".join(parts)


def _round(value: float, u: float) -> str:
    decimals = min(max(0, 1 - int(np.floor(np.log10(COVERAGE * u)))), 4) if u > 0 else 3
    return f"{value:.{decimals}f}"


def _draw_centres(centring: Centring) -> list[Picture]:
    """Draw the centres of symmetry about the image centre, both axes alike."""
    found = {}
    for name in CENTRES:
        four = [getattr(centring, f"{name}_centre_{axis}_frac{u}") for axis in "xy" for u in ("", "_u")]
        if np.isfinite(four).all():
            found[name] = tuple(float(each) for each in four)
    if not found:
        return []
    most = max(abs(value) + COVERAGE * u for four in found.values() for value, u in (four[:2], four[2:]))
    most = max(most * 1.1, 0.02)
    # 464 by 290: the same scale along both axes
    plot = Plot.between((-1.6 * most, 1.6 * most), (-most, most), left=76, right=540, bottom=308)
    parts = [plot.axes("right of the image centre (half-diagonals)", "above it (half-diagonals)")]
    parts.append(line(plot.x(0), plot.y.start, plot.x(0), plot.y.end, "guide"))
    parts.append(line(plot.x.start, plot.y(0), plot.x.end, plot.y(0), "guide"))
    for name, (x, x_u, y, y_u) in found.items():
        kind, high = CENTRES[name], plot.y(-y)
        across = line(plot.x(x - COVERAGE * x_u), high, plot.x(x + COVERAGE * x_u), high, f"bar {kind}")
        shape = plot.bar(x, -y, COVERAGE * y_u, f"bar {kind}") + across + dot(plot.x(x), high, f"fill {kind}", 4)
        tip = f"{name}: {x:+.3f} ± {COVERAGE * x_u:.3f} to the right, {y:+.3f} ± {COVERAGE * y_u:.3f} downwards"
        parts.append(mark(shape, tip))
    names = {"red": "red against green", "blue": "blue against green", "falloff": "falloff of light"}
    parts.append(legend(40, plot.y.start + 62, [(f"fill {CENTRES[name]}", names[name]) for name in found], apart=170))
    title = "Centres of symmetry"
    described = (
        "Centres of symmetry of colour and light, from the image centre; a centred lens has all of them there. "
        "Bars are two standard uncertainties."
    )
    return [Picture(title, plot_canvas(plot, *parts, name=title), described)]


def _draw_bowl(centring: Centring) -> list[Picture]:
    """Draw best focus along the direction of steepest tilt: the tilt as a slope, field curvature as a bowl."""
    tilt, tilt_u = centring.tilt_steps, centring.tilt_steps_u
    bowl, bowl_u = centring.field_curvature_steps, centring.field_curvature_steps_u
    if not np.isfinite([tilt, tilt_u, bowl, bowl_u]).all():
        return []
    place = np.linspace(-1, 1, 41)
    behind = tilt * place + bowl * place**2
    half = COVERAGE * np.hypot(tilt_u * place, bowl_u * place**2)
    up = reach([*(behind - half), *(behind + half), *(tilt * place)], least=1.0)
    plot = Plot.between((-1.0, 1.0), up, left=74, bottom=250)
    parts = [plot.axes("along the tilt, from the image centre (half-diagonals)", "behind the sensor (steps)")]
    parts.append(line(plot.x.start, plot.y(0), plot.x.end, plot.y(0), "guide"))
    parts.append(plot.band(place.tolist(), (behind - half).tolist(), (behind + half).tolist()))
    parts.append(plot.line(place.tolist(), (tilt * place).tolist(), "line two"))
    parts.append(plot.line(place.tolist(), behind.tolist(), "line one"))
    parts.append(legend(74, plot.y.start + 62, [("one", "best focus"), ("two", "its plane alone")], apart=150))
    title = "Best focus across the field"
    described = (
        "Medial focus along the direction of steepest tilt, from the centre's, in steps of the focus series; tilt of "
        f"chart and body is included. Plane {tilt:.2f} ± {COVERAGE * tilt_u:.2f}, field "
        f"curvature {f'{bowl:+.2f}'.replace('-', MINUS)} ± {COVERAGE * bowl_u:.2f} steps in the corner, drawn as "
        f"the square of the image height; {centring.focus_disc_count} discs."
    )
    return [Picture(title, plot_canvas(plot, *parts, name=title, marks=False), described)]
