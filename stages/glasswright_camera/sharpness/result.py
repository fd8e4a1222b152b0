"""What `measure_mtf50` says: sharpness by plane, zone and direction."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact, NonNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSharpness:
    """MTF50 of one zone of the field, the mean of its discs.

    *Sagittal*: lines along the image radius, blurred across it; *tangential*: lines at right angles to it. NaN where
    the zone holds no measured disc, or half of its discs are too small for their blur to tell it. A disc that holds the
    image centre has no direction and counts with its mean in both; see `Trace`.
    """

    sagittal_cy_per_px: NonNegative
    sagittal_cy_per_px_u: float
    tangential_cy_per_px: NonNegative
    tangential_cy_per_px_u: float
    mean_cy_per_px: NonNegative
    mean_cy_per_px_u: float
    mean_lp_per_mm: NonNegative
    mean_lp_per_mm_u: float
    astigmatism_frac: float
    """(tangential - sagittal) / mean."""
    astigmatism_frac_u: float
    best_focus_steps: float
    """The zone's own best focus less the centre's, in steps of the focus series; NaN without one."""
    best_focus_steps_u: float
    disc_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneSharpness:
    """Sharpness of one colour plane over the field."""

    centre: ZoneSharpness
    mid: ZoneSharpness
    upper_left: ZoneSharpness
    upper_right: ZoneSharpness
    lower_left: ZoneSharpness
    lower_right: ZoneSharpness
    worst_cy_per_px: NonNegative
    """The lowest of all zones and both directions."""
    worst_cy_per_px_u: float
    """Widened, for the worst of many is low by chance; see `extremes`. So is that of the imbalance."""
    corner_mean_cy_per_px: NonNegative
    corner_mean_cy_per_px_u: float
    corner_imbalance_frac: NonNegative
    """(best - worst) / mean of the four corners."""
    corner_imbalance_frac_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sharpness(Artefact):
    """Sharpness at one setting. A sensor without colour filters is reported as green; its red and blue are NaN."""

    red: PlaneSharpness
    green: PlaneSharpness
    blue: PlaneSharpness
    chart: str
    magnification_frac: NonNegative
    focus: str
    """`series`: read at the centre's best focus of a focus series; `single`: as shot."""
    focus_steps: float
    """The centre's best focus, in steps of the series from its first shot; NaN without one."""
    focus_steps_u: float
    shot_count: int
