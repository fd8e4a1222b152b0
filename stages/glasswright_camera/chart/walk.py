"""Walk from disc to disc: find the candidates that form a lattice, and their columns and rows."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

Node = tuple[int, int]

NEIGHBOURS = 12
SIZE_RATIO = 1.7
"""Largest ratio of neighbouring discs' radii; for large marks, beside their own ratio."""
FEWEST = 5
"""Fewest candidates: a seed and its four neighbours."""
OPPOSITE_REACH = 0.24
"""Largest deviation of a seed's neighbour from the point opposite to another, over their distance."""
REACH = 0.15
"""Largest deviation of a disc from its predicted place, in local pitches, where the prediction includes the lattice's
curvature; 30 % of distortion gives under a tenth."""
FIRST_REACH = 0.24
"""The same where the prediction is a straight line."""
RAW_SEEDS = 48
SAME_PITCH = 0.1
SEEDS = 16
ENOUGH = 0.9
"""Share of the wanted nodes with which a lattice is yielded before further seeds are tried."""
FEW_LATTICES = 4
"""The largest with fewer nodes that are given. Chosen: one is the chart's own where it is partly hidden."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lattice:
    """Candidates that form a lattice; columns run along a right-handed pair of steps (x right, y down)."""

    node: NDArray[np.int64]
    """(nodes, 2): column and row, from an arbitrary origin."""
    index: NDArray[np.int64]
    """(nodes,): which candidate."""


def walk_lattices(
    place: NDArray[np.float64], radius: NDArray[np.float64], wanted: int, large_ratio: float = 1.0
) -> Iterator[Lattice]:
    """Yield the lattices among candidates, each once.

    The walk starts at a candidate with two pairs of opposite neighbours and goes outwards. Each next place is predicted
    from the nodes around it, so distortion does no harm. A lattice of about the wanted size is yielded as soon as it is
    found, others after all seeds are tried, the largest first, as something else beside the chart may be a lattice too.

    Parameters
    ----------
    place
        (candidates, 2): x and y.
    radius
        (candidates,): rough radii.
    wanted
        Number of nodes of the whole chart.
    large_ratio
        Radius of a large mark over that of a disc; 1 if the chart has none.
    """
    if len(place) < FEWEST:
        return
    tree = cKDTree(place)
    spots = [complex(x, y) for x, y in place]
    taken: dict[int, float] = {}
    smaller: list[Lattice] = []
    tried = 0
    for seed in _order_seeds(place, spots, radius, tree):
        # a walk of another pitch that strayed into this lattice does not count
        pitch = abs(spots[seed[1]] - spots[seed[2]]) / 2
        if abs(taken.get(seed[0], 0.0) / pitch - 1) < SAME_PITCH:
            continue
        placed = _grow(seed, spots, radius, tree, large_ratio)
        taken.update(dict.fromkeys(placed.values(), pitch))
        lattice = Lattice(node=np.array(list(placed), np.int64), index=np.array(list(placed.values()), np.int64))
        if ENOUGH * wanted <= len(placed) <= wanted:
            yield lattice
        else:
            smaller.append(lattice)
        tried += 1
        if tried == SEEDS:
            break
    yield from sorted(smaller, key=lambda each: -len(each.index))[:FEW_LATTICES]


Seed = tuple[int, int, int, int, int]
"""Candidates: the middle, right, left, below, above."""


def _order_seeds(
    place: NDArray[np.float64], spots: list[complex], radius: NDArray[np.float64], tree: cKDTree
) -> list[Seed]:
    """Return seeds, those without a disc half-way to their neighbours first: others span a diagonal or double step."""
    seeds = list(islice(_list_seeds(place, spots, radius, tree), RAW_SEEDS))
    if not seeds:
        return []
    middle, right, left, below, above = (place[list(each)] for each in zip(*seeds, strict=True))
    along, across = (right - left) / 4, (below - above) / 4
    steps = [along, -along, across, -across, along + across, along - across, across - along, -along - across]
    half_way = middle + np.stack(steps)
    near = np.asarray(tree.query(half_way)[0]) < OPPOSITE_REACH * np.hypot(*np.moveaxis(along + across, -1, 0))
    order = np.argsort(near.sum(axis=0), kind="stable")
    return [seeds[k] for k in order]


def _list_seeds(
    place: NDArray[np.float64], spots: list[complex], radius: NDArray[np.float64], tree: cKDTree
) -> Iterator[Seed]:
    """Yield candidates with two pairs of opposite neighbours, those near the middle of all candidates first."""
    near = np.asarray(tree.query(place, k=min(NEIGHBOURS, len(place)))[1])
    middle = np.median(place, axis=0)
    outwards = np.argsort(np.hypot(*(place - middle).T))
    # half of the seeds are from the middle, half from all over, as the middle may not be the chart
    spread = outwards[:: max(len(outwards) // (RAW_SEEDS // 2), 1)]
    for i in dict.fromkeys([*outwards[: RAW_SEEDS // 2].tolist(), *spread.tolist(), *outwards.tolist()]):
        alike = [int(j) for j in near[i][1:] if _is_alike(radius[j], radius[i])]
        pairs = list(_list_opposite(int(i), alike, spots))
        for right, left in pairs:
            step = spots[right] - spots[i]
            for below, above in pairs:
                other = spots[below] - spots[i]
                turn = (step.conjugate() * other).imag
                if abs(turn) > 0.75 * abs(step) * abs(other) and 0.5 < abs(other) / abs(step) < 2:
                    below, above = (below, above) if turn > 0 else (above, below)
                    yield int(i), right, left, below, above
                    break
            else:
                continue
            break


def _list_opposite(i: int, alike: list[int], spots: list[complex]) -> Iterator[tuple[int, int]]:
    """Yield pairs of neighbours on opposite sides of candidate i, the nearest first."""
    for position, j in enumerate(alike):
        step = spots[j] - spots[i]
        for k in alike[position + 1 :]:
            if abs(spots[k] - spots[i] + step) < OPPOSITE_REACH * abs(step):
                yield j, k
                break


def _grow(
    seed: Seed, spots: list[complex], radius: NDArray[np.float64], tree: cKDTree, large_ratio: float
) -> dict[Node, int]:
    """Walk outwards from a seed until no more nodes are found; node -> candidate."""
    middle, right, left, below, above = seed
    placed: dict[Node, int] = {(0, 0): middle, (1, 0): right, (-1, 0): left, (0, 1): below, (0, -1): above}
    at = {node: spots[index] for node, index in placed.items()}
    # radii for comparison; of a large mark that of a plain disc in its place
    plain = {node: float(radius[index]) for node, index in placed.items()}
    used = set(placed.values())
    queue = deque(around for node in placed for around in _list_around(node))
    while queue:
        node = queue.popleft()
        if node in placed:
            continue
        guess = predict_place(node, at)
        if guess is None:
            continue
        spot, reach, neighbour = guess
        far, index = (part.item() for part in map(np.asarray, tree.query([spot.real, spot.imag])))
        if far > reach or index in used:
            continue
        size = next(
            (own for own in (radius[index], radius[index] / large_ratio) if _is_alike(own, plain[neighbour])), None
        )
        if size is None:
            continue
        plain[node] = float(size)
        placed[node], at[node] = index, spots[index]
        used.add(index)
        queue.extend(around for around in _list_around(node) if around not in placed)
    return placed


def _is_alike(radius: float, other: float) -> bool:
    """Return whether two radii differ by less than SIZE_RATIO."""
    return 1 / SIZE_RATIO < radius / other < SIZE_RATIO


def _list_around(node: Node) -> Iterator[Node]:
    """Yield the four neighbours, and the four beyond them, so that a single missing disc does not stop the walk."""
    for reach in (1, 2):
        for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1)):
            yield node[0] + reach * dx, node[1] + reach * dy


def measure_unevenness(node: NDArray[np.int64], place: NDArray[np.float64]) -> float:
    """Return the median of the third differences along runs of four nodes, in pitches.

    A lattice with 30 % of distortion has a few hundredths; blobs that form one by chance have several tenths. Infinite
    where there is no run of four.
    """
    at = {(int(c), int(r)): complex(x, y) for (c, r), (x, y) in zip(node, place, strict=True)}
    off = []
    for column, row in at:
        for dx, dy in ((1, 0), (0, 1)):
            run = [at[next_node] for k in range(4) if (next_node := (column + k * dx, row + k * dy)) in at]
            if len(run) == 4:
                off.append(abs(run[3] - 3 * run[2] + 3 * run[1] - run[0]) / abs(run[2] - run[1]))
    return float(np.median(off)) if off else float("inf")


def predict_place(node: Node, at: dict[Node, complex]) -> tuple[complex, float, Node] | None:
    """Predict the place of a node from the nodes around it.

    Parallelograms and second differences are exact for an evenly curved lattice; a straight line is used only where
    neither is possible.

    Returns
    -------
    tuple or None
        The place (x + iy), the largest deviation from it, and a placed neighbour; None without enough nodes.
    """
    column, row = node
    good: list[complex] = []
    fair: list[complex] = []
    pitch, neighbour = 0.0, node
    for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1)):
        one = at.get((column - dx, row - dy))
        two = at.get((column - 2 * dx, row - 2 * dy))
        three = at.get((column - 3 * dx, row - 3 * dy))
        if two is not None and three is not None:
            # one step beyond a missing node
            four = at.get((column - 4 * dx, row - 4 * dy))
            if one is not None:
                good.append(3 * one - 3 * two + three)
            elif four is not None:
                good.append(6 * two - 8 * three + 3 * four)
            if not pitch:
                pitch, neighbour = abs(two - three), (column - 2 * dx, row - 2 * dy)
        if one is None:
            continue
        neighbour = (column - dx, row - dy)
        if two is not None:
            fair.append(2 * one - two)
            pitch = abs(one - two)
        for side in (1, -1):
            beside = at.get((column + side * dy, row + side * dx))
            corner = at.get((column - dx + side * dy, row - dy + side * dx))
            if beside is not None and corner is not None:
                good.append(one + beside - corner)
                pitch = pitch or abs(one - corner)
    chosen = good or fair
    if not chosen or not pitch:
        return None
    return sum(chosen) / len(chosen), pitch * (REACH if good else FIRST_REACH), neighbour
