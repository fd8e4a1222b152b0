"""From a small frame to the chart's nodes: blobs, the walk, the marks, and the discs the walk did not reach."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.lattice_marks import is_on_layout, read_marks, score_marks
from glasswright_camera.lattice_walk import measure_unevenness, predict_place, walk_lattices
from glasswright_camera.locate_blobs import find_blobs
from glasswright_camera.locate_discs import Discs, measure_discs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.locate_small import SmallFrame
    from glasswright_camera.stand import ChartLayout

FEWEST = 15
"""Fewer nodes than this are no lattice: among many hundred specks chance makes ten."""
UNEVEN = 0.15
"""A lattice more uneven than this is chance; see `measure_unevenness`."""
WAVES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLattice:
    """The chart's nodes on a small frame."""

    node: NDArray[np.int64]
    """(discs, 2): columns and rows of the layout."""
    discs: Discs
    off_layout: NDArray[np.int64]
    """(n, 2): lattice nodes beyond the layout's columns and rows."""
    off_place: NDArray[np.float64]
    """(n, 2): x and y of those."""


class LatticeNotFound(Unmeasurable):
    """No chart on this small frame; `nodes` says how much of a lattice there was."""

    def __init__(self, message: str, nodes: int) -> None:
        """Keep the message and the number of nodes."""
        super().__init__(message)
        self.nodes = nodes


def find_lattice(small: SmallFrame, layout: ChartLayout, tile: int) -> FoundLattice:
    """Find the chart's nodes on a small frame.

    Parameters
    ----------
    small
        The small frame.
    layout
        The chart that hangs there.
    tile
        About a pitch in small pixels: the scale at which paper is told from disc.

    Raises
    ------
    LatticeNotFound
        If there is no lattice, or its marks are missing, mirrored or ambiguous.
    """
    blobs = find_blobs(small.light, tile)
    failure: LatticeNotFound | None = None
    for lattice in walk_lattices(blobs.place, blobs.radius, layout.columns * layout.rows):
        place, radius = blobs.place[lattice.index], blobs.radius[lattice.index]
        if len(place) < FEWEST or measure_unevenness(lattice.node, place) > UNEVEN:
            continue
        try:
            return _read_lattice(lattice.node, _measure(small, layout, place, radius), small, layout)
        except LatticeNotFound as reason:
            failure = failure if failure and failure.nodes >= reason.nodes else reason
    if failure:
        raise failure
    message = (
        f"{layout.name} was not found: {len(blobs.place)} dark round things in the frame form no lattice of "
        f"{FEWEST} or more, and its bright parts reach {100 / small.white_light:.1f} % of white; is the chart in the frame, lit and in focus?"
    )
    raise LatticeNotFound(message, 0)


def _read_lattice(node: NDArray[np.int64], discs: Discs, small: SmallFrame, layout: ChartLayout) -> FoundLattice:
    """Say by the marks which node is which, and look for the nodes the walk did not reach."""
    valid = np.asarray(np.isfinite(discs.radius))
    node, discs = node[valid], _select(discs, valid)
    try:
        if len(node) < FEWEST:
            message = f"only {len(node)} discs of {layout.name} could be measured"
            raise Unmeasurable(message)
        reading = read_marks(node, score_marks(node, discs.radius, discs.core, layout), layout)
    except Unmeasurable as reason:
        raise LatticeNotFound(str(reason), len(node)) from reason
    node = reading.to_layout(node)
    on = is_on_layout(node, layout)
    found = FoundLattice(node=node[on], discs=_select(discs, on), off_layout=node[~on], off_place=discs.place[~on])
    return _add_missed(found, small, layout)


def _measure(small: SmallFrame, layout: ChartLayout, place: NDArray[np.float64], radius: NDArray[np.float64]) -> Discs:
    hole = layout.ring_hole_diameter_mm / layout.disc_diameter_mm
    return measure_discs(small.light, small.clipped, place, radius, hole)


def _select(discs: Discs, chosen: NDArray[np.bool_]) -> Discs:
    """Keep the chosen discs."""
    return Discs(**{name: getattr(discs, name)[chosen] for name in Discs.__slots__})


def _join(first: Discs, second: Discs) -> Discs:
    """Put two lots of discs together."""
    return Discs(**{name: np.concatenate([getattr(first, name), getattr(second, name)]) for name in Discs.__slots__})


def _add_missed(found: FoundLattice, small: SmallFrame, layout: ChartLayout) -> FoundLattice:
    """Look for the layout's other nodes where their neighbours say they lie, outwards in waves."""
    for _ in range(WAVES):
        at = {(int(c), int(r)): complex(x, y) for (c, r), (x, y) in zip(found.node, found.discs.place, strict=True)}
        size = {(int(c), int(r)): float(radius) for (c, r), radius in zip(found.node, found.discs.radius, strict=True)}
        nodes = [(c, r) for c in range(layout.columns) for r in range(layout.rows) if (c, r) not in at]
        guesses = [(node, *guess) for node in nodes if (guess := predict_place(node, at)) is not None]
        guesses = [guess for guess in guesses if _is_inside(guess[1], small)]
        if not guesses:
            break
        place = np.array([(spot.real, spot.imag) for _, spot, _, _ in guesses])
        reach = np.array([reach for _, _, reach, _ in guesses])
        radius = np.array([_typical_radius(neighbour, size) for _, _, _, neighbour in guesses])
        discs = _measure(small, layout, place, radius)
        # a mark may hide among the missed: its radius is let through, its place is not
        limit = 1.2 * max(layout.large_diameter_mm / layout.disc_diameter_mm, 1.0)
        with np.errstate(invalid="ignore"):
            good = np.hypot(*(discs.place - place).T) < reach
            good &= (discs.radius > 0.8 * radius) & (discs.radius < limit * radius) & (discs.contrast > 0.1)
        if not good.any():
            break
        fresh = np.array([node for node, *_ in guesses], np.int64)[good]
        found = FoundLattice(
            node=np.concatenate([found.node, fresh]),
            discs=_join(found.discs, _select(discs, good)),
            off_layout=found.off_layout,
            off_place=found.off_place,
        )
    return found


def _typical_radius(node: tuple[int, int], size: dict[tuple[int, int], float]) -> float:
    """Give the median radius around a node, so that a large mark does not set its neighbours' size."""
    column, row = node
    near = [size[c, r] for c in range(column - 1, column + 2) for r in range(row - 1, row + 2) if (c, r) in size]
    return float(np.median(near))


def _is_inside(spot: complex, small: SmallFrame) -> bool:
    rows, columns = small.light.shape
    return bool(0 <= spot.real < columns and 0 <= spot.imag < rows)
