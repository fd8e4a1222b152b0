"""The discs of the chart that are left out, with reasons, and a check that the lattice is the chart's."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import takewhile
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from glasswright_camera.stand import ChartLayout

NAMED = 6
"""Most nodes named in a note; the rest are counted."""
OFF_SHARE = 0.4
"""Share of its discs from which on a row beyond the layout counts as a row of another chart."""
MISSING_SHARE = 0.6
"""An outer row without discs counts as absent from the chart if this share of it should lie in the frame."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """The layout's nodes that are not listed, by reason."""

    reasons: dict[str, NDArray[np.int64]]
    """Reason, in the words of the note -> nodes (n, 2)."""

    @property
    def count(self) -> int:
        """Return how many nodes are left out."""
        return sum(len(nodes) for nodes in self.reasons.values())

    def describe(self) -> tuple[str, ...]:
        """Return one sentence a reason: `2 discs left out, cut by the frame: (0, 3), (0, 4)`."""
        notes = []
        for reason, nodes in self.reasons.items():
            ordered = sorted(nodes.tolist(), key=lambda node: (node[1], node[0]))
            named = ", ".join(f"({column}, {row})" for column, row in ordered[:NAMED])
            more = f" and {len(nodes) - NAMED} more" if len(nodes) > NAMED else ""
            notes.append(f"{len(nodes)} disc{'s' if len(nodes) != 1 else ''} left out, {reason}: {named}{more}")
        return tuple(notes)


def list_layout_nodes(layout: ChartLayout) -> NDArray[np.int64]:
    """Return every node of a layout, (columns * rows, 2)."""
    column, row = np.meshgrid(np.arange(layout.columns), np.arange(layout.rows))
    return np.column_stack([column.ravel(), row.ravel()])


def find_other_extent(
    node: NDArray[np.int64], in_frame: NDArray[np.bool_], layout: ChartLayout
) -> tuple[int, int] | None:
    """Return the numbers of columns and rows of the lattice if they differ from the layout's, else None.

    Parameters
    ----------
    node
        (nodes, 2): columns and rows found, on the layout's axes; some may lie off the layout.
    in_frame
        (rows, columns): whether each of the layout's nodes should lie in the frame.
    layout
        The expected chart.
    """
    extent = []
    for axis, (length, across) in enumerate(((layout.columns, layout.rows), (layout.rows, layout.columns))):
        counts = dict(zip(*np.unique(node[:, axis], return_counts=True), strict=True))
        full = OFF_SHARE * across
        beyond = _count_run(counts.get(k, 0) >= full for k in range(length, length + 99))
        before = _count_run(counts.get(-k, 0) >= full for k in range(1, 99))
        empty = [bool(k not in counts and in_frame.mean(axis=axis)[k] >= MISSING_SHARE) for k in range(length)]
        extent.append(length + beyond + before - _count_run(empty) - _count_run(reversed(empty)))
    return (extent[0], extent[1]) if extent != [layout.columns, layout.rows] else None


def _count_run(holds: Iterable[bool]) -> int:
    """Return the number of leading true values."""
    return sum(1 for _ in takewhile(bool, holds))


def sort_out(
    node: NDArray[np.int64], faults: dict[str, NDArray[np.bool_]], absent: dict[str, NDArray[np.int64]]
) -> tuple[NDArray[np.bool_], LeftOut]:
    """Return which found discs are good, and the others with the first reason that holds for each.

    Parameters
    ----------
    node
        (discs, 2): found discs.
    faults
        Reason -> (discs,) where it holds, the most important first.
    absent
        Reason -> nodes that were not found at all.
    """
    good = np.ones(len(node), bool)
    reasons = {reason: nodes for reason, nodes in absent.items() if len(nodes)}
    for reason, holds in faults.items():
        fresh = holds & good
        if fresh.any():
            reasons[reason] = np.concatenate([reasons.get(reason, node[:0]), node[fresh]])
        good &= ~holds
    return good, LeftOut(reasons=reasons)
