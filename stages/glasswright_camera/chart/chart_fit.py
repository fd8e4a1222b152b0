"""The chart's place in a frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartFit(Artefact):
    """The lattice as found: each disc's node and its rough place, good to about a third of a pixel.

    Sensor pixels, x right, y down, pixel centres at integers. Only discs that are whole, lit and unclipped are
    listed; the others are counted in the `left_out` fields, and named in `notes`.
    """

    chart: str
    """The layout's name."""
    width_px: int
    height_px: int
    planes: tuple[str, ...]
    node: NDArray[np.int64]
    """(discs, 2): column and row of each disc on the layout."""
    centre_px: NDArray[np.float64]
    """(discs, 2): x and y."""
    radius_px: NDArray[np.float64]
    """(discs,): rough mean radius."""
    is_mark: NDArray[np.bool_]
    """(discs,): one of the marked nodes (radius is then that of its outer edge)."""
    clear_px: NDArray[np.float64]
    """(discs,): distance from the disc's edge to the nearest other thing (neighbour, frame border)."""
    homography: NDArray[np.float64]
    """(3, 3): lattice millimetres (x right, y down, origin at the lattice's middle) to sensor pixels, without
    distortion."""
    magnification_frac: float
    """Size on the sensor over size on the chart, at the frame's centre."""
    rotation_deg: float
    """Rotation of the chart on the sensor, clockwise positive."""
    disc_count: int
    left_out_count: int
    shot: str = ""
    role: str = ""
    sequence_count: int = 0
