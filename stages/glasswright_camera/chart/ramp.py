"""Artefacts of the ramp's stages."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact
from glasswright_camera.chart.chart_fit import ChartFit

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RampFit(ChartFit):
    """Places of the ramp's discs in a frame; the magnification is that across the board at its middle."""

    seen_angle_deg: float
    """Angle between board and optical axis, from the discs' foreshortening."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RampTrace(Artefact):
    """Sharpness of every disc of a ramp shot. Arrays run over (discs,) or (planes, discs)."""

    shot: str
    role: str
    sequence_count: int
    ramp: str
    """The layout's name."""
    planes: tuple[str, ...]
    node: NDArray[np.int64]
    """(discs, 2): column and row."""
    along_mm: NDArray[np.float64]
    """(discs,): place along the board from the focusing band, the far end positive."""
    mtf50: NDArray[np.float64]
    """(planes, discs, 2): along and across the image radius, cycles per sensor pixel; NaN where a disc failed."""
    mtf50_u: NDArray[np.float64]
    """(planes, discs, 2): standard uncertainty from pixel noise."""
    magnification_frac: float
    """At the focusing band."""
    angle_deg: float
    angle_deg_u: float
    """Between the board and the optical axis, from the stand file."""
    disc_count: int
    left_out_count: int
