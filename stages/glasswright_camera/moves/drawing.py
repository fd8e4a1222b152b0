"""Draw the seat from the front of the lens, with the shim's place and the line of decentring."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright.plugin.drawing import Picture, canvas, dot, label, line, mark, path
from glasswright_camera.field import clock_time
from glasswright_camera.moves.sentences import LEAST_COMA, LEAST_SHIM_MM, describe_moves, stands_out
from glasswright_camera.plots import WIDTH

if TYPE_CHECKING:
    from glasswright_camera.moves.result import Moves

CENTRE: Final = (280.0, 130.0)
RADIUS: Final = 90.0
WIDTH_DEG: Final = 40.0
"""Width of the arc that marks the shim."""


def draw_moves(moves: Moves) -> list[Picture]:
    """Draw the seat as a clock face; no drawing if no move is significant."""
    sentences = describe_moves(moves)
    if not sentences:
        return []
    x, y = CENTRE
    parts = [dot(x, y, "frame", RADIUS), dot(x, y, "frame", RADIUS * 0.8)]
    parts += [
        label(x + 1.15 * RADIUS * float(np.sin(turn)), y + 4 - 1.15 * RADIUS * float(np.cos(turn)), f"{hour or 12}")
        for hour, turn in ((hour, np.radians(30 * hour)) for hour in range(0, 12, 3))
    ]
    if stands_out(moves.shim_mm, moves.shim_mm_u, LEAST_SHIM_MM):
        arc = [_on_front(moves.shim_deg + turn, 0.9) for turn in np.linspace(-WIDTH_DEG / 2, WIDTH_DEG / 2, 15)]
        tip = f"shim, {moves.shim_mm:.3f} mm thicker than opposite, at {clock_time(moves.shim_deg)}"
        parts.append(mark(path(arc, "line one wide") + dot(*arc[7], "fill one", 6), tip))
    if stands_out(moves.coma_ratio, moves.coma_ratio_u, LEAST_COMA):
        ends = [_on_front(moves.coma_deg + turn, 0.6) for turn in (0, 180)]
        parts.append(mark(line(*ends[0], *ends[1], "line two"), "line along which the decentred element must move"))
    parts.append(label(x, y + RADIUS + 44, "seen from the front of the lens, camera upright", class_="name"))
    title = "Suggested adjustments"
    text = " ".join(f"{each}." for each in sentences)
    return [Picture(title, canvas(WIDTH, 286, *parts, label=title, marks=True), text)]


def _on_front(deg: float, share: float) -> tuple[float, float]:
    """Return the place on the drawing for a direction in the file: right stays right, down becomes up."""
    turn = np.radians(deg)
    return CENTRE[0] + share * RADIUS * float(np.cos(turn)), CENTRE[1] - share * RADIUS * float(np.sin(turn))
