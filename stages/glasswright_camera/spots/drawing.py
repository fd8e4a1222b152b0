"""Drawing of the shadows on the flats: place, width and kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.plugin.drawing import Picture, dot, label, mark, path
from glasswright_camera.plots import MARGIN, FrameView

if TYPE_CHECKING:
    from glasswright_camera.spots.result import Spots

KINDS: Final = {
    "lens_dust": ("one", 0, "dust in the lens"),
    "patch": ("two", 4, "patch in the lens"),
    "scratch": ("three", 2, "long mark"),
    "sensor_dust": ("four", 3, "dust on the sensor"),
    "unsure": ("five", 6, "of unknown origin"),
}
"""Class, number of corners (0: a ring, 2: a slanting bar) and name of each kind, those of the lens first. The shapes
distinguish the kinds without colours."""
LEAST_RADIUS: Final = 4.0
"""Least radius of a ring on the drawing."""
NUMBERED: Final = 12
"""Number of shadows labelled with their rank, the deepest first."""


def draw_spots(spots: Spots) -> list[Picture]:
    """Draw every shadow at its width, the deepest with their rank."""
    view = FrameView(width_px=int(spots.frame_px[0]), height_px=int(spots.frame_px[1]))
    places = view.place(spots.place_px)
    parts = [_draw_spot(spots, k, view, (float(x), float(y))) for k, (x, y) in enumerate(places)]
    found = [kind for kind in KINDS if kind in spots.kind]
    for k, kind in enumerate(found):
        x, y = MARGIN + 8 + 180 * (k % 3), view.bottom + 26 + 22 * (k // 3)
        parts.append(outline(kind, (x, y - 4), 6.0))
        parts.append(label(x + 14, y, f"{KINDS[kind][2]}: {spots.kind.count(kind)}", anchor="start"))
    if not found:
        parts.append(label(MARGIN, view.bottom + 26, "no shadow found", anchor="start", class_="name"))
    title = "Spots found on the flat"
    flats = "one f-number" if spots.setting_count == 1 else f"{spots.setting_count} f-numbers"
    described = (
        f"Shadows on the flats of {flats}, on the frame as in the file. Each has the width of the shadow at the "
        "highest f-number that shows it, the smallest are enlarged; a dot marks those on the stand's list "
        f"of dust. Numbers rank the {NUMBERED} deepest."
    )
    below = 40.0 + 22 * max((len(found) - 1) // 3, 0)
    return [Picture(title, view.draw(*parts, below=below, name=title, marks=bool(found)), described)]


def outline(kind: str, place: tuple[float, float], radius: float) -> str:
    """Draw the outline of a kind, as wide as its shadow."""
    (x, y), (class_, corners, _) = place, KINDS[kind]
    if corners == 0:
        return dot(x, y, f"hollow {class_}", radius)
    if corners == 2:
        slant, half = radius * 0.92, radius * 0.38
        bar = [(-slant, slant - half), (-slant + half, slant), (slant, -slant + half), (slant - half, -slant)]
        return path([(x + across, y + down) for across, down in bar], f"hollow {class_}", close=True)
    turns = [2 * np.pi * (k + 0.5 * (corners % 2 == 0)) / corners - np.pi / 2 for k in range(corners)]
    points = [(x + radius * float(np.cos(turn)), y + radius * float(np.sin(turn))) for turn in turns]
    return path(points, f"hollow {class_}", close=True)


def _draw_spot(spots: Spots, k: int, view: FrameView, place: tuple[float, float]) -> str:
    (x, y), (class_, _, name) = place, KINDS[spots.kind[k]]
    radius = max(float(spots.shadow_px[k]) * view.scale / 2, LEAST_RADIUS)
    shape = dot(x, y, "spot", radius) + outline(spots.kind[k], place, radius)
    if spots.is_known[k]:
        shape += dot(x, y, f"fill {class_}", 1.6)
    if k < NUMBERED:
        outside = x + radius + 4 if x < view.width_px * view.scale - 12 else x - radius - 4
        shape += label(outside, y + 4, f"{k + 1}", anchor="start" if outside > x else "end")
    known = ", on the stand's list" if spots.is_known[k] else ""
    return mark(shape, f"{k + 1}: {name}{known}, {_format(spots, k)}")


def _format(spots: Spots, k: int) -> str:
    away, away_u = float(spots.distance_mm[k]), float(spots.distance_u_mm[k])
    u = f" ± {2 * away_u:.2g}" if np.isfinite(away_u) else ""
    before = f", {away:.3g}{u} mm in front of the sensor" if np.isfinite(away) else ""
    x, y = spots.place_px[k]
    wide = float(spots.shadow_um[k])
    size = f"{wide / 1000:.2g} mm" if wide >= 1000 else f"{wide:.0f} µm"
    return f"at x {x:.0f}, y {y:.0f}: shadow {size} wide, takes {100 * spots.depth[k]:.2g} % of the light{before}"
