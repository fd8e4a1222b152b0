"""Several traces of one setting, matched disc by disc."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from glasswright_camera.edges.trace import Trace

    Array = NDArray[np.float64]

ENOUGH_TO_SCATTER: Final = 5
"""Fewest repeats from which a scatter is estimated; with fewer the verdict uses the stand's pooled repeatability."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeats:
    """The discs that all traces of a setting share."""

    traces: tuple[Trace, ...]
    rows: tuple[NDArray[np.int64], ...]
    """For each trace, its rows of the shared discs, in one order."""
    node: NDArray[np.int64]
    """(discs, 2)."""

    def stack(self, column: Callable[[Trace], Array], axis: int = 1) -> Array:
        """Return a column of all traces for the shared discs: (traces, ...), discs along `axis` of the column."""
        return np.stack(
            [np.take(column(trace), rows, axis=axis) for trace, rows in zip(self.traces, self.rows, strict=True)]
        )

    def places(self) -> Array:
        """Return the shared discs' mean centres in the main plane: (discs, 2), px; in another where it has none."""
        centre = self.stack(lambda trace: trace.centre_px).mean(axis=0)
        main = centre[main_plane(self.traces[0])]
        known = np.isfinite(centre).all(axis=2)
        other = centre[np.argmax(known, axis=0), np.arange(len(main))]
        return np.asarray(np.where(np.isfinite(main), main, other))


def shared_discs(
    traces: Sequence[Trace], planes: Sequence[str] | None = None, need: Literal["sharpness", "place"] = "sharpness"
) -> Repeats:
    """Match the discs of traces by lattice node, leaving out those that failed in any of them.

    Parameters
    ----------
    traces
        Of one setting.
    planes
        The planes in which a disc must have been measured; by default all.
    need
        What must be known of a disc: its MTF50, or only its place.
    """
    known: list[set[tuple[int, int]]] = []
    for trace in traces:
        good = trace.is_placed(planes) if need == "place" else trace.is_sharpness_known(planes)
        known.append({(int(c), int(r)) for c, r in trace.node[good]})
    nodes = sorted(set.intersection(*known))
    return line_up(traces, np.array(nodes, dtype=np.int64).reshape(-1, 2))


def line_up(traces: Sequence[Trace], node: NDArray[np.int64]) -> Repeats:
    """Match the discs of traces by nodes (discs, 2) that all of them have."""
    rows = [{(int(c), int(r)): row for row, (c, r) in enumerate(trace.node)} for trace in traces]
    return Repeats(
        traces=tuple(traces),
        rows=tuple(np.array([own[int(c), int(r)] for c, r in node], dtype=np.int64) for own in rows),
        node=node,
    )


def main_plane(trace: Trace) -> int:
    """Return the index of the main plane: green, or the only one."""
    return trace.planes.index("green") if "green" in trace.planes else 0


def main_name(trace: Trace) -> str:
    """Return the name of the main plane."""
    return trace.planes[main_plane(trace)]


def mean_with_scatter(value: Array, noise_u: Array) -> tuple[Array, Array]:
    """Return the mean of repeats (axis 0) and its standard uncertainty, from pixel noise or, if larger, the scatter.

    The scatter is used from ENOUGH_TO_SCATTER repeats on.

    Parameters
    ----------
    value
        (traces, ...).
    noise_u
        The same shape: standard uncertainty of each from pixel noise.
    """
    count = value.shape[0]
    noise = np.sqrt((noise_u**2).sum(axis=0)) / count
    if count < ENOUGH_TO_SCATTER:
        return value.mean(axis=0), noise
    return value.mean(axis=0), np.maximum(value.std(axis=0, ddof=1) / np.sqrt(count), noise)
