"""Find the chart's nodes on a small frame: blobs, lattice walk, marks, and the discs the walk did not reach."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.chart.blobs import DARK_SHARES, find_blobs
from glasswright_camera.chart.discs import Discs, measure_discs
from glasswright_camera.chart.marks import find_upright_turn, is_on_layout, read_marks, score_marks
from glasswright_camera.chart.walk import measure_unevenness, predict_place, walk_lattices

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.chart.walk import Node
    from glasswright_camera.small_frame import SmallFrame
    from glasswright_camera.stand import ChartLayout

FEWEST = 15
"""Fewest nodes of a lattice: among many hundred specks ten may form one by chance."""
UNEVEN = 0.15
"""Largest unevenness of a lattice; see `measure_unevenness`."""
WAVES = 4
LEAST_CONTRAST = 0.1
"""Least contrast of a disc in this search; a stricter limit applies later."""


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
    """No chart on this small frame; `nodes` is the number of lattice nodes found."""

    def __init__(self, message: str, nodes: int) -> None:
        """Keep the message and the number of nodes."""
        super().__init__(message)
        self.nodes = nodes


def find_lattice(small: SmallFrame, layout: ChartLayout, tile: int, dark_share: float = DARK_SHARES[0]) -> FoundLattice:
    """Find the chart's nodes on a small frame.

    Parameters
    ----------
    small
        The small frame.
    layout
        The expected chart.
    tile
        Side of the squares whose paper level is estimated, in small pixels; about a pitch.
    dark_share
        Share of the paper's light below which a pixel may belong to a disc.

    Raises
    ------
    LatticeNotFound
        If there is no lattice, or its marks are missing, mirrored or ambiguous.
    """
    blobs = find_blobs(small.light, tile, dark_share)
    failure: LatticeNotFound | None = None
    large = layout.large_diameter_mm / layout.disc_diameter_mm if layout.has_large_marks else 1.0
    for lattice in walk_lattices(blobs.place, blobs.radius, layout.columns * layout.rows, large):
        place, radius = blobs.place[lattice.index], blobs.radius[lattice.index]
        if len(place) < FEWEST or measure_unevenness(lattice.node, place) > UNEVEN:
            continue
        try:
            return _read_lattice(lattice.node, _measure(small, layout, place, radius), small, layout)
        except LatticeNotFound as reason:
            failure = failure if failure and failure.nodes >= reason.nodes else reason
    if failure:
        raise failure
    bright = 100 / small.white_light
    message = (
        f"{layout.name} was not found: {len(blobs.place)} dark round blobs in the frame form no lattice of "
        f"{FEWEST} or more, and its bright parts reach {bright:.1f} % of white"
    )
    raise LatticeNotFound(message, 0)


def _read_lattice(node: NDArray[np.int64], discs: Discs, small: SmallFrame, layout: ChartLayout) -> FoundLattice:
    """Identify the nodes by the marks, and search for the nodes the walk did not reach."""
    valid = np.asarray(np.isfinite(discs.radius))
    node, discs = node[valid], _select(discs, valid)
    try:
        if len(node) < FEWEST:
            message = f"only {len(node)} discs of {layout.name} could be measured"
            raise Unmeasurable(message)
        # small soft rings are not found as blobs: the marks may be among the gaps
        node, discs = _add_missed(node, discs, _list_gaps(node), small, layout)
        score = score_marks(node, discs.radius, discs.core, layout)
        reading = read_marks(node, score, layout, find_upright_turn(node, discs.place))
    except Unmeasurable as reason:
        raise LatticeNotFound(str(reason), len(node)) from reason
    node = reading.to_layout(node)
    on = is_on_layout(node, layout)
    every = [(column, row) for column in range(layout.columns) for row in range(layout.rows)]
    found, found_discs = _add_missed(node[on], _select(discs, on), every, small, layout)
    return FoundLattice(node=found, discs=found_discs, off_layout=node[~on], off_place=discs.place[~on])


def _list_gaps(node: NDArray[np.int64]) -> list[Node]:
    """Return the missing nodes with three or more of their four neighbours present."""
    there = {(int(column), int(row)) for column, row in node}
    around = Counter((column + dx, row + dy) for column, row in there for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1)))
    return sorted(gap for gap, count in around.items() if count >= 3 and gap not in there)


def _measure(small: SmallFrame, layout: ChartLayout, place: NDArray[np.float64], radius: NDArray[np.float64]) -> Discs:
    hole = layout.ring_hole_diameter_mm / layout.disc_diameter_mm
    return measure_discs(small.light, small.clipped, place, radius, hole)


def _select(discs: Discs, chosen: NDArray[np.bool_]) -> Discs:
    """Keep the chosen discs."""
    return Discs(**{name: getattr(discs, name)[chosen] for name in Discs.__slots__})


def _join(first: Discs, second: Discs) -> Discs:
    """Concatenate two sets of discs."""
    return Discs(**{name: np.concatenate([getattr(first, name), getattr(second, name)]) for name in Discs.__slots__})


def _add_missed(
    node: NDArray[np.int64], discs: Discs, wanted: Sequence[Node], small: SmallFrame, layout: ChartLayout
) -> tuple[NDArray[np.int64], Discs]:
    """Search for wanted nodes at places predicted from their neighbours, outwards in waves."""
    for _ in range(WAVES):
        at = {(int(c), int(r)): complex(x, y) for (c, r), (x, y) in zip(node, discs.place, strict=True)}
        size = {(int(c), int(r)): float(radius) for (c, r), radius in zip(node, discs.radius, strict=True)}
        guesses = [(each, *guess) for each in wanted if each not in at and (guess := predict_place(each, at))]
        guesses = [guess for guess in guesses if _is_inside(guess[1], small)]
        if not guesses:
            break
        place = np.array([(spot.real, spot.imag) for _, spot, _, _ in guesses])
        reach = np.array([reach for _, _, reach, _ in guesses])
        radius = np.array([_typical_radius(neighbour, size) for _, _, _, neighbour in guesses])
        seen = _measure(small, layout, place, radius)
        # a missed node may be a large mark: its radius is accepted, but the place must fit
        limit = 1.2 * max(layout.large_diameter_mm / layout.disc_diameter_mm, 1.0)
        with np.errstate(invalid="ignore"):
            good = np.hypot(*(seen.place - place).T) < reach
            good &= (seen.radius > 0.8 * radius) & (seen.radius < limit * radius) & (seen.contrast > LEAST_CONTRAST)
        if not good.any():
            break
        node = np.concatenate([node, np.array([each for each, *_ in guesses], np.int64)[good]])
        discs = _join(discs, _select(seen, good))
    return node, discs


def _typical_radius(node: tuple[int, int], size: dict[tuple[int, int], float]) -> float:
    """Return the median radius around a node, on which a large mark has no effect."""
    column, row = node
    near = [size[c, r] for c in range(column - 1, column + 2) for r in range(row - 1, row + 2) if (c, r) in size]
    return float(np.median(near))


def _is_inside(spot: complex, small: SmallFrame) -> bool:
    rows, columns = small.light.shape
    return bool(0 <= spot.real < columns and 0 <= spot.imag < rows)
