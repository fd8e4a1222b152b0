"""What the sharpness stages say: MTF50 by plane, zone and direction, as shot and at best focus.

All of it is of the system: lens, pixel and whatever lies before the sensor. A lens that is ten per cent worse reads
less than ten per cent worse; `ceiling_ratio` says how much of what diffraction and pixel allow is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact, NonNegative

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSharpness:
    """MTF50 at the place that stands for a zone of the field, from the zone's discs.

    *Sagittal*: lines along the image radius, blurred across it; *tangential*: lines at right angles to it. NaN where
    the zone holds no measured disc, half of its discs are too small for their blur to tell it, or the lattice does not
    reach its place. A disc that holds the image centre has no direction and counts with its mean in both; see `Trace`.
    """

    sagittal_cy_per_px: NonNegative
    sagittal_cy_per_px_u: float
    tangential_cy_per_px: NonNegative
    tangential_cy_per_px_u: float
    mean_cy_per_px: NonNegative
    mean_cy_per_px_u: float
    mean_lp_per_mm: NonNegative
    mean_lp_per_mm_u: float
    direction_difference_frac: float
    """(tangential - sagittal) / mean. Not the distance of two foci: at the focus between them astigmatism gives 0."""
    direction_difference_frac_u: float
    ceiling_ratio: NonNegative
    """Mean over the highest MTF50 that diffraction at the nominal f-number and a fully sensitive square pixel allow,
    for the shortest light that the plane sees; NaN without an f-number."""
    ceiling_ratio_u: float
    height_frac: float
    """Image height of the place, in half-diagonals."""
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
    """Sharpness at one setting, as shot: a lens focused wrongly is soft.

    A sensor without colour filters is reported as green; its red and blue are NaN.
    """

    red: PlaneSharpness
    green: PlaneSharpness
    blue: PlaneSharpness
    chart: str
    magnification_frac: NonNegative
    fill_frac: NonNegative
    """Share of the frame that the middles of the outermost discs span, along its width or its height: the smaller."""
    far_light_frac: float = float("nan")
    """Light in the discs' middle less what the fits of their edges expect there, of the step, all planes and discs
    together: the larger of two rings, positive where lighter. A wide weak halo (haze, spherical aberration, scatter)
    leaves more than 0.0006 and sets the caveat `wide_halo`. NaN where the discs have no room for it."""
    far_light_frac_u: float = float("nan")
    shot_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneFocus:
    """Best focus of a zone of the field, in the main plane: positive where it lies behind the centre's, farther from
    the lens. NaN where it lies outside the series."""

    medial_steps: float
    """The middle between sagittal and tangential focus, in steps of the series."""
    medial_steps_u: float
    medial_um: float
    """The same at the sensor; NaN where the stand does not know a step's size."""
    medial_um_u: float
    astigmatism_um: float
    """Tangential focus less sagittal focus: the astigmatic difference."""
    astigmatism_um_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneFoci:
    """Best focus of each zone."""

    centre: ZoneFocus
    mid: ZoneFocus
    upper_left: ZoneFocus
    upper_right: ZoneFocus
    lower_left: ZoneFocus
    lower_right: ZoneFocus


@dataclass(frozen=True, slots=True, kw_only=True)
class BestFocus(Artefact):
    """Sharpness at the centre's best focus, from a focus series, and where each part of the field is sharpest.

    Each step of the series moves the focus backwards, away from the lens. Arrays run over the discs that all its steps
    share.
    """

    red: PlaneSharpness
    green: PlaneSharpness
    blue: PlaneSharpness
    focus: ZoneFoci
    red_green_um: float
    """Axial colour in the centre: red's best focus less green's, behind positive; NaN without a step's size."""
    red_green_um_u: float
    blue_green_um: float
    blue_green_um_u: float
    centre_steps: float
    """The centre's best focus, in steps from the first shot of the series."""
    centre_steps_u: float
    step_um: float
    """Size of a step at the sensor, by the stand file; NaN where it does not say."""
    chart: str
    magnification_frac: NonNegative
    fill_frac: NonNegative
    far_light_frac: float = float("nan")
    """As of `Sharpness`, in the shot nearest to the centre's best focus."""
    far_light_frac_u: float = float("nan")
    shot_count: int
    """Steps that were used."""
    left_out_count: int
    """Steps that were named as odd and left out."""
    width_px: int
    height_px: int
    node: NDArray[np.int64]
    """(discs, 2)."""
    place_px: NDArray[np.float64]
    """(discs, 2)."""
    behind_steps: NDArray[np.float64]
    """(discs, 2): how far each disc's sagittal and tangential focus lies behind the centre's; NaN outside the series.
    """
    behind_steps_u: NDArray[np.float64]
