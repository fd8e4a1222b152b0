"""Results of `measure_focus_offset` and `measure_autofocus`."""

from __future__ import annotations

import math
from dataclasses import dataclass

from glasswright import Artefact


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourOffset:
    """Best focus of one colour from the focusing band; minus is in front of it. NaN for a missing plane."""

    offset_mm: float
    """Along the optical axis, at the board."""
    offset_mm_u: float
    shift_um: float
    """The same at the sensor: the distance by which the focus would have to move."""
    shift_um_u: float
    offset_depths: float
    """In depths of focus, N c (1 + m) on one side. Within 1 the blur is below the circle of confusion c, which is not
    sharp; `kept_sharpness_frac` is the loss by the offset."""
    offset_depths_u: float
    kept_sharpness_frac: float = math.nan
    """MTF50 at the focusing band over MTF50 at best focus, from the lens's own curve along the board."""
    kept_sharpness_frac_u: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusOffset(Artefact):
    """Front or back focus at one setting, from a ramp. A sensor without colour filters is reported as green."""

    red: ColourOffset
    green: ColourOffset
    blue: ColourOffset
    red_green_um: float
    """Axial colour at the sensor: red's best focus less green's, positive farther from the lens."""
    red_green_um_u: float
    blue_green_um: float
    blue_green_um_u: float
    depth_of_focus_um: float
    """On one side."""
    ramp: str
    magnification_frac: float
    shot_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AutofocusRepeat(Artefact):
    """Repeatability of the focus over several ramp shots of one setting, in the main plane. Minus is in front."""

    bias_mm: float
    """Mean offset along the axis, at the board."""
    bias_mm_u: float
    scatter_mm: float
    """Standard deviation from shot to shot, free of the bias of small samples."""
    scatter_mm_u: float
    scatter_low_mm: float
    """Lower end of the scatter's 95 % confidence interval (normal distribution)."""
    scatter_high_mm: float
    worst_mm: float
    """The offset farthest from 0, with its sign."""
    worst_mm_u: float
    bias_depths: float
    bias_depths_u: float
    scatter_depths: float
    scatter_depths_u: float
    worst_depths: float
    worst_depths_u: float
    ramp: str
    shot_count: int
