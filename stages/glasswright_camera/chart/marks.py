"""Identification of lattice nodes, column and row of the layout, by the marks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.stand import ChartLayout

MARK_FROM = 0.4
"""Score from which on a node counts as marked: a full mark scores 1, plain discs scatter about 0."""
MARGIN = 0.25
"""Least margin between the weakest mark of the best reading and that of any other. Noise that changed a score by so
much would make the disc unmeasurable."""
MARGIN_SIGMAS = 4.0
"""The same in standard deviations of plain discs' scores, where these scatter more."""
OUTSIDE_SHARE = 0.04
"""A reading that puts this share more of the nodes off the layout than another does not compete with it: half of an
outer column of the default lattice. Single nodes off the layout are not discs."""
RING_LEAST = 0.12
"""Least light of a ring's hole over that of plain discs' middles, between dark and paper, even with strong blur."""

Node = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One possible position of the chart's marks on the lattice."""

    turn: NDArray[np.int64]
    """(2, 2): lattice node = turn @ layout node + shift."""
    shift: NDArray[np.int64]
    outside: int
    """Lattice nodes that would lie off the layout."""
    strength: float
    """The lowest of the marks' scores; 0 where a mark would lie on no node."""

    @property
    def is_mirrored(self) -> bool:
        """Whether the chart reads as its mirror image."""
        return bool(np.linalg.det(self.turn) < 0)

    def to_layout(self, node: NDArray[np.int64]) -> NDArray[np.int64]:
        """Convert lattice nodes to layout columns and rows."""
        return (node - self.shift) @ self.turn


def score_marks(
    node: NDArray[np.int64], radius: NDArray[np.float64], core: NDArray[np.float64], layout: ChartLayout
) -> dict[str, NDArray[np.float64]]:
    """Return the score of each node for each kind of mark: 0 for a plain disc, 1 for a full mark.

    Parameters
    ----------
    node
        (nodes, 2): lattice columns and rows.
    radius, core
        (nodes,): radius, and light of the innermost part (0 dark, 1 paper).
    layout
        For the size of a large mark.

    Notes
    -----
    A disc is compared with the median of those around it, so that distortion and blur have no effect.
    """
    apart = np.abs(node[:, None, :] - node[None, :, :]).max(axis=2)
    around = (apart <= 2) & (apart > 0)
    around |= ~around.any(axis=1, keepdims=True)
    base_radius = np.nanmedian(np.where(around, radius, np.nan), axis=1)
    base_core = np.nanmedian(np.where(around, core, np.nan), axis=1)
    growth = layout.large_diameter_mm / layout.disc_diameter_mm - 1
    lighter = core - base_core
    # the faintest of the layout's number of rings shows how light a hole is at this blur
    rings = max(sum(mark.kind == "ring" for mark in layout.marks), 1)
    full = max(float(np.sort(lighter)[-min(rings, len(lighter))]), RING_LEAST)
    ring = lighter / full
    return {"large": (radius / base_radius - 1) / growth, "ring": ring}


def find_upright_turn(node: NDArray[np.int64], place: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the rotation (2, 2) from layout nodes to lattice nodes of a print that hangs upright within 45 degrees.

    Parameters
    ----------
    node
        (nodes, 2): lattice columns and rows, right-handed.
    place
        (nodes, 2): their places in the frame, x right, y down.
    """
    step = np.linalg.lstsq(node - node.mean(axis=0), place - place.mean(axis=0), rcond=None)[0]
    # of a column's and a row's step on the layout, the parts to the right and downwards
    return max(_list_turns()[:4], key=lambda turn: float(np.trace(turn.T @ step)))


def read_marks(
    node: NDArray[np.int64],
    score: dict[str, NDArray[np.float64]],
    layout: ChartLayout,
    upright: NDArray[np.int64],
) -> Reading:
    """Return the position of the layout's marks on the lattice.

    It is the reading whose weakest mark has the highest score, if it leads every other reading by a margin.

    Parameters
    ----------
    node
        (nodes, 2): lattice columns and rows, right-handed.
    score
        From `score_marks`.
    layout
        The chart.
    upright
        (2, 2): the rotation of a print that hangs upright, see `find_upright_turn`.

    Raises
    ------
    Unmeasurable
        If the marks are missing, ambiguous or mirrored, or show that a print with the orientation `upright` does not
        hang upright.
    """
    margin = max(MARGIN, MARGIN_SIGMAS * _measure_scatter(score, layout))
    readings = _list_readings(node, score, layout, margin)
    if not readings:
        raise Unmeasurable(_explain_missing(node, score, layout))
    if layout.orientation == "upright":
        # symmetric marks are read upright; marks that contradict the orientation are refused below
        readings = [each for each in readings if np.array_equal(each.turn, upright)] or readings
    best = min(readings, key=lambda each: (each.outside, -each.strength))
    for rival in readings:
        if rival is best or rival.outside >= best.outside + OUTSIDE_SHARE * len(node):
            continue
        ways = f"{_describe_turn(best.turn, upright)}, and nearly as well {_describe_turn(rival.turn, upright)}"
        if np.array_equal(best.turn, rival.turn):
            ways = f"{_describe_turn(best.turn, upright)}, at more than one place"
        raise Unmeasurable(
            f"the orientation of {layout.name} is ambiguous: its marks can be read {ways} "
            f"({_count_marks(score, layout)}); is another chart hung, or are the marks soft, soiled or covered?"
        )
    if best.is_mirrored:
        raise Unmeasurable(
            f"the marks of {layout.name} read mirrored: is the print reversed or the image flipped? "
            f"({len(node)} discs were found)"
        )
    if layout.orientation == "upright" and not np.array_equal(best.turn, upright):
        hangs = f"{layout.name} hangs {_describe_turn(best.turn, upright)}, but its layout says `upright`"
        raise Unmeasurable(f"{hangs}: turn the print or the camera, or correct `orientation` of the layout")
    return best


def _list_readings(
    node: NDArray[np.int64], score: dict[str, NDArray[np.float64]], layout: ChartLayout, margin: float
) -> list[Reading]:
    """Return the readings within a margin of the best; none if no reading shows all marks.

    Each node is tried as the first mark, in four rotations and their mirror images.
    """
    low, high = node.min(axis=0), node.max(axis=0)
    columns, rows = high - low + 1
    looks = {kind: np.zeros((columns, rows)) for kind in score}
    for kind, values in score.items():
        looks[kind][tuple((node - low).T)] = values
    marks = np.array([(mark.column, mark.row) for mark in layout.marks])
    turns = _list_turns()
    strength = np.full((len(turns), len(node)), np.inf)
    for turn, strengths in zip(turns, strength, strict=True):
        for mark, place in zip(layout.marks, (marks - marks[0]) @ turn.T, strict=True):
            spot = node + place - low
            there = ((spot >= 0) & (spot < (columns, rows))).all(axis=1)
            look = np.where(there, looks[mark.kind][tuple(np.where(there[:, None], spot, 0).T)], 0.0)
            np.minimum(strengths, look, out=strengths)
    best = float(strength.max())
    if best <= MARK_FROM:
        return []
    readings = []
    for k, first in np.argwhere(strength > best - margin):
        shift = node[first] - turns[k] @ marks[0]
        reading = Reading(turn=turns[k], shift=shift, outside=0, strength=float(strength[k, first]))
        outside = int(np.sum(~is_on_layout(reading.to_layout(node), layout)))
        readings.append(replace(reading, outside=outside))
    return readings


def _measure_scatter(score: dict[str, NDArray[np.float64]], layout: ChartLayout) -> float:
    """Return the robust standard deviation of the scores, the largest over the layout's kinds of mark."""
    kinds = {mark.kind for mark in layout.marks}
    return max(robust_sigma(score[kind]) for kind in kinds)


def _describe_turn(turn: NDArray[np.int64], upright: NDArray[np.int64]) -> str:
    """Return how a print hangs in the frame, as text."""
    seen = upright.T @ turn
    if np.linalg.det(seen) < 0:
        return "mirrored"
    return {2: "upright", -2: "upside down"}.get(int(np.trace(seen)), "on its side")


def is_on_layout(node: NDArray[np.int64], layout: ChartLayout) -> NDArray[np.bool_]:
    """Return which nodes (n, 2) lie on the layout."""
    return np.asarray(((node >= 0) & (node < (layout.columns, layout.rows))).all(axis=1))


def _list_turns() -> list[NDArray[np.int64]]:
    """Return the eight symmetries of a square lattice: four rotations, and their mirror images."""
    quarter = np.array([[0, -1], [1, 0]])
    mirror = np.array([[-1, 0], [0, 1]])
    turns = [np.linalg.matrix_power(quarter, k) for k in range(4)]
    return turns + [turn @ mirror for turn in turns]


def _count_marks(score: dict[str, NDArray[np.float64]], layout: ChartLayout) -> str:
    """Return a text with the number of marks of each kind seen, and that of the layout."""
    seen = []
    for kind in sorted({mark.kind for mark in layout.marks}):
        wanted = sum(mark.kind == kind for mark in layout.marks)
        found = int(np.sum(score[kind] > MARK_FROM))
        seen.append(f"{found} {kind} mark{'s' if found != 1 else ''} seen where {layout.name} has {wanted}")
    return ", ".join(seen)


def _explain_missing(node: NDArray[np.int64], score: dict[str, NDArray[np.float64]], layout: ChartLayout) -> str:
    """Return the message for missing marks."""
    columns, rows = sorted((np.ptp(node, axis=0) + 1).tolist(), reverse=layout.columns >= layout.rows)
    return (
        f"the marks of {layout.name} were not found: {_count_marks(score, layout)}, on {columns} x {rows} nodes "
        f"({len(node)} discs); is another chart hung, or are the marks covered?"
    )
