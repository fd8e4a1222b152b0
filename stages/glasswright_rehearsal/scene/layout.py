"""The chart's lattice of discs, read from a layout file (YAML)."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import yaml

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


OPTIONAL = frozenset({"band_diameter_mm", "contrast_u_frac", "orientation", "nodes_mm"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A marked node: `ring` has a light hole in its disc, `large` is a larger disc."""

    column: int
    row: int
    kind: Literal["ring", "large"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A lattice of dark discs on light paper; millimetres."""

    name: str
    columns: int
    rows: int
    pitch_mm: float
    disc_diameter_mm: float
    marks: tuple[Mark, ...]
    ring_hole_diameter_mm: float
    large_diameter_mm: float
    contrast_ratio: float
    contrast_u_frac: float = 0.1
    """Relative standard uncertainty of the contrast; optional in a chart file."""
    band_diameter_mm: float | None = None
    """Diameter of the discs in the middle row if larger than the others: the focusing band of a ramp."""
    orientation: str = "by_marks"
    """How a chart's rotation is known: by its marks, or because it is `upright`."""
    nodes_mm: tuple[tuple[float, float, float], ...] = ()
    """Place of each node, row by row: x right, y down, away from the camera. Empty: as designed, and flat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Circles:
    """Circles to draw, arrays over (circles,): each lattice disc, and the hole of each `ring`."""

    node: NDArray[np.int64]
    """(circles, 2): column and row."""
    centre_mm: NDArray[np.float64]
    """(circles, 3): x right, y down, away from the camera, from the lattice's middle."""
    radius_mm: NDArray[np.float64]
    is_mark: NDArray[np.bool_]
    is_hole: NDArray[np.bool_]
    """True for a light hole, which is subtracted from its disc."""


def default_layout() -> Layout:
    """Return a 13 x 9 lattice: three ring marks, disc diameter 0.4 pitch, contrast 20:1."""
    return Layout(
        name="lattice_13x9",
        columns=13,
        rows=9,
        pitch_mm=60.0,
        disc_diameter_mm=24.0,
        marks=(
            Mark(column=6, row=4, kind="ring"),
            Mark(column=8, row=4, kind="ring"),
            Mark(column=6, row=3, kind="ring"),
        ),
        ring_hole_diameter_mm=9.6,
        large_diameter_mm=33.6,
        contrast_ratio=20.0,
    )


def read_layout(path: Path) -> Layout:
    """Read a chart file.

    Parameters
    ----------
    path
        A YAML file with the fields of `Layout`. The print's edge blur is ignored: a rehearsed print has perfect edges.

    Raises
    ------
    ValueError
        If a field is missing or unknown, or the chart has slanted edges; the message names the file.
    """
    data: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    marks = tuple(Mark(**mark) for mark in data.pop("marks", ()))
    if data.pop("edges", ()):
        message = (
            f"{path}: this chart has slanted `edges`, which a rehearsal does not draw: rehearse a chart without them"
        )
        raise ValueError(message)
    data.pop("edge_blur_um", None)
    data.pop("node_u_mm", None)
    if "nodes_mm" in data:
        data["nodes_mm"] = tuple(tuple(map(float, node)) for node in data["nodes_mm"])
    wanted = set(Layout.__dataclass_fields__) - {"marks"} - (OPTIONAL - set(data))
    if set(data) != wanted:
        wrong = ", ".join(sorted(set(data) ^ wanted))
        message = (
            f"{path}: a chart file has the fields {', '.join(sorted(wanted))} and marks; missing or unknown: {wrong}"
        )
        raise ValueError(message)
    return Layout(marks=marks, **data)


def write_layout(layout: Layout, path: Path) -> None:
    """Write a chart file for `read_layout`."""
    data = asdict(layout)
    data["marks"] = [dict(mark) for mark in data["marks"]]
    if layout.nodes_mm:
        data["nodes_mm"] = [list(node) for node in layout.nodes_mm]
    else:
        del data["nodes_mm"]
    if layout.band_diameter_mm is None:
        del data["band_diameter_mm"]
        data["edge_blur_um"] = 0.0  # a rehearsed print has perfect edges
    else:
        del data["contrast_u_frac"], data["orientation"]
    path.write_text(yaml.safe_dump(data, sort_keys=False), encoding="utf-8")


def list_circles(layout: Layout) -> Circles:
    """Return all circles of the print: the discs row by row, then the holes."""
    column, row = (a.ravel() for a in np.meshgrid(np.arange(layout.columns), np.arange(layout.rows)))
    kinds = {(mark.column, mark.row): mark.kind for mark in layout.marks}
    kind = [kinds.get((int(c), int(r)), "") for c, r in zip(column, row, strict=True)]
    diameter = np.array([layout.large_diameter_mm if k == "large" else layout.disc_diameter_mm for k in kind])
    if layout.band_diameter_mm is not None:
        diameter[row == layout.rows // 2] = layout.band_diameter_mm
    rings = np.flatnonzero([k == "ring" for k in kind])
    every = np.concatenate([np.arange(len(kind)), rings])
    node = np.stack([column, row], axis=1)
    place = np.array(layout.nodes_mm) if layout.nodes_mm else list_designed_nodes(layout)
    return Circles(
        node=node[every],
        centre_mm=place[every],
        radius_mm=np.concatenate([diameter, np.full(len(rings), layout.ring_hole_diameter_mm)]) / 2,
        is_mark=np.array([k != "" for k in kind])[every],
        is_hole=np.arange(len(every)) >= len(kind),
    )


def list_designed_nodes(layout: Layout) -> NDArray[np.float64]:
    """Return the designed places of all nodes (nodes, 3), row by row."""
    row, column = (a.ravel() for a in np.mgrid[: layout.rows, : layout.columns])
    flat = np.column_stack([column - (layout.columns - 1) / 2, row - (layout.rows - 1) / 2]) * layout.pitch_mm
    return np.column_stack([flat, np.zeros(len(flat))])


def fill_magnification(layout: Layout, width_px: int, height_px: int, pitch_um: float, fill_frac: float) -> float:
    """Return the magnification at which the lattice fills a fraction of the frame's width or height."""
    wide = (layout.columns - 1) * layout.pitch_mm + layout.disc_diameter_mm
    high = (layout.rows - 1) * layout.pitch_mm + layout.disc_diameter_mm
    return fill_frac * min(width_px / wide, height_px / high) * pitch_um / 1000
