"""Reading the marks: which column and row of the layout each lattice node is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.stand import ChartLayout

MARK_FROM = 0.4
"""A node counts as marked from this share of a full mark's look; plain discs scatter about 0."""
CANDIDATES = 12
RING_LEAST = 0.12
"""A hole's light over that of plain discs, between dark and paper, below which no blur is thought to hide a ring."""

Node = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One way to lay the chart's marks on the lattice."""

    turn: NDArray[np.int64]
    """(2, 2): lattice node = turn @ layout node + shift."""
    shift: NDArray[np.int64]
    outside: int
    """Lattice nodes that would lie off the layout."""
    strength: float
    """The weakest of the marks' looks."""

    @property
    def is_mirrored(self) -> bool:
        """Whether the chart reads as its mirror image."""
        return bool(np.linalg.det(self.turn) < 0)

    def to_layout(self, node: NDArray[np.int64]) -> NDArray[np.int64]:
        """Turn lattice nodes into layout columns and rows."""
        return (node - self.shift) @ self.turn


def score_marks(
    node: NDArray[np.int64], radius: NDArray[np.float64], core: NDArray[np.float64], layout: ChartLayout
) -> dict[str, NDArray[np.float64]]:
    """Say how much each node looks like a mark of each kind: 0 a plain disc, 1 a full mark.

    Parameters
    ----------
    node
        (nodes, 2): lattice columns and rows.
    radius, core
        (nodes,): radius, and light of the innermost part (0 dark, 1 paper).
    layout
        The chart; gives the size of a large mark.

    Notes
    -----
    A disc is compared with the median of those around it, so that neither distortion nor a blur that fills the discs
    with light makes a mark.
    """
    apart = np.abs(node[:, None, :] - node[None, :, :]).max(axis=2)
    around = (apart <= 2) & (apart > 0)
    around |= ~around.any(axis=1, keepdims=True)
    base_radius = np.nanmedian(np.where(around, radius, np.nan), axis=1)
    base_core = np.nanmedian(np.where(around, core, np.nan), axis=1)
    growth = layout.large_diameter_mm / layout.disc_diameter_mm - 1
    lighter = core - base_core
    # three rings are the most there can be: the third lightest core shows how light a hole is at this blur
    full = max(float(np.sort(lighter)[-3]), RING_LEAST)
    ring = lighter / full
    return {"large": (radius / base_radius - 1) / growth, "ring": ring}


def find_upright_turn(node: NDArray[np.int64], place: NDArray[np.float64]) -> NDArray[np.int64]:
    """Give the turn (2, 2) that takes layout nodes to lattice nodes if the print hangs upright, within 45 degrees.

    Parameters
    ----------
    node
        (nodes, 2): lattice columns and rows, right-handed.
    place
        (nodes, 2): where they are seen, x right, y down.
    """
    step = np.linalg.lstsq(node - node.mean(axis=0), place - place.mean(axis=0), rcond=None)[0]
    # of a column's and a row's step on the layout, the parts to the right and downwards
    return max(_list_turns()[:4], key=lambda turn: float(np.trace(turn.T @ step)))


def read_marks(
    node: NDArray[np.int64],
    score: dict[str, NDArray[np.float64]],
    layout: ChartLayout,
    upright: NDArray[np.int64] | None = None,
) -> Reading:
    """Find how the layout's marks lie on the lattice.

    Parameters
    ----------
    node
        (nodes, 2): lattice columns and rows, right-handed.
    score
        From `score_marks`.
    layout
        The chart.
    upright
        The turn of a print that is known to hang upright, see `find_upright_turn`; None if the marks say how it hangs.

    Raises
    ------
    Unmeasurable
        If the marks are not there, are mirrored, or can be read in two ways.
    """
    readings = sorted(_list_readings(node, score, layout), key=lambda reading: (reading.outside, -reading.strength))
    if not readings:
        raise Unmeasurable(_explain_missing(node, score, layout))
    if upright is not None:
        readings = [reading for reading in readings if np.array_equal(reading.turn, upright)]
        if not readings:
            raise Unmeasurable(
                f"{layout.name} does not hang upright, as its layout says it does: its marks are seen turned or "
                "mirrored; hang it upright, or turn the camera"
            )
    best = readings[0]
    for other in readings[1:]:
        if (other.outside, other.strength) == (best.outside, best.strength):
            message = (
                f"the marks of {layout.name} can be read in more than one way; "
                "the layout's marks need a triangle with three different sides"
            )
            raise Unmeasurable(message)
    if best.is_mirrored:
        message = (
            f"the marks of {layout.name} read mirrored: is the print reversed or the image flipped? "
            f"({len(node)} discs were found)"
        )
        raise Unmeasurable(message)
    return best


def _list_readings(
    node: NDArray[np.int64], score: dict[str, NDArray[np.float64]], layout: ChartLayout
) -> list[Reading]:
    """Try each marked-looking node as the first mark, in four turns and their mirror images."""
    place = {(int(column), int(row)): k for k, (column, row) in enumerate(node)}
    marks = np.array([(mark.column, mark.row) for mark in layout.marks])
    kinds = [mark.kind for mark in layout.marks]
    firsts = [k for k in np.argsort(-score[kinds[0]])[:CANDIDATES] if score[kinds[0]][k] > MARK_FROM]
    readings = []
    for turn in _list_turns():
        for first in firsts:
            shift = node[first] - turn @ marks[0]
            seen = [place.get((int(column), int(row))) for column, row in marks @ turn.T + shift]
            looks = [score[kind][k] if k is not None else 0.0 for kind, k in zip(kinds, seen, strict=True)]
            if min(looks) <= MARK_FROM:
                continue
            reading = Reading(turn=turn, shift=shift, outside=0, strength=float(min(looks)))
            readings.append(
                Reading(
                    turn=turn,
                    shift=shift,
                    outside=int(np.sum(~is_on_layout(reading.to_layout(node), layout))),
                    strength=reading.strength,
                )
            )
    return readings


def is_on_layout(node: NDArray[np.int64], layout: ChartLayout) -> NDArray[np.bool_]:
    """Say which nodes (n, 2) lie on the layout."""
    return np.asarray(((node >= 0) & (node < (layout.columns, layout.rows))).all(axis=1))


def _list_turns() -> list[NDArray[np.int64]]:
    """Give the eight ways a square lattice lies on itself: four turns, and their mirror images."""
    quarter = np.array([[0, -1], [1, 0]])
    mirror = np.array([[-1, 0], [0, 1]])
    turns = [np.linalg.matrix_power(quarter, k) for k in range(4)]
    return turns + [turn @ mirror for turn in turns]


def _explain_missing(node: NDArray[np.int64], score: dict[str, NDArray[np.float64]], layout: ChartLayout) -> str:
    """Say which marks were looked for and how many were seen."""
    seen = []
    for kind in sorted({mark.kind for mark in layout.marks}):
        wanted = sum(mark.kind == kind for mark in layout.marks)
        found = int(np.sum(score[kind] > MARK_FROM))
        seen.append(f"{found} {kind} mark{'s' if found != 1 else ''} seen where {layout.name} has {wanted}")
    columns, rows = sorted((np.ptp(node, axis=0) + 1).tolist(), reverse=layout.columns >= layout.rows)
    return (
        f"the marks of {layout.name} were not found: {', '.join(seen)}, on {columns} x {rows} nodes "
        f"({len(node)} discs); is another chart hung, or are the marks covered?"
    )
