"""Results of the sharpness stages: MTF50 by plane, zone and direction, as shot and at best focus.

MTF50 is that of the system: lens, pixel and filters in front of the sensor. If the lens alone is 10 % worse, the
system's MTF50 falls by less than 10 %; `ceiling_ratio` compares it with the limit of diffraction and pixel.
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
    """MTF50 at a zone's stated place in the field, from the zone's discs.

    *Sagittal*: lines along the image radius, blurred across it; *tangential*: lines at right angles to it. NaN where
    the zone has no measured disc, half of its discs are too small for their blur, or the lattice does not reach its
    place. A disc on the image centre has no direction and counts with its mean in both; see `Trace`.
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
    """(tangential - sagittal) / mean. It does not measure the distance of the two foci: midway between them it is 0."""
    direction_difference_frac_u: float
    ceiling_ratio: NonNegative
    """Mean over the highest MTF50 that diffraction at the nominal f-number and a fully sensitive square pixel allow, at
    the plane's shortest wavelength; NaN without an f-number."""
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
    """Widened, because the lowest of many values is biased; see `extremes`. So is that of the imbalance."""
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
    """Share of the frame's width or height, the smaller, that the centres of the outermost discs span."""
    far_light_frac: float = float("nan")
    """Light in the discs' middle less the prediction from their edges, of the step, over all planes and discs: the
    larger of two rings, positive where lighter. Above 0.0006 there is a wide weak halo (haze, spherical aberration,
    scatter) and the caveat `wide_halo`. NaN where the discs are too small for it."""
    far_light_frac_u: float = float("nan")
    spill_frac: float = float("nan")
    """Light that falls over an edge farther than 2/MTF50, of the step, both sides together, in the main plane (own
    definition, no source). Straight edges: 0 for a Gaussian blur, 0.025 for diffraction alone, 0.031
    for 10 % of the light in a halo of 8 px about a core of 0.7 px. Discs show less by what
    reaches their middle: of diffraction a third, at a radius of eight blurs (1/MTF50). NaN in smaller discs."""
    spill_frac_u: float = float("nan")
    shot_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneFocus:
    """Best focus of a zone of the field, in the main plane: positive where it lies behind the centre's, farther from
    the lens. NaN where it lies outside the series."""

    medial_steps: float
    """Midpoint of sagittal and tangential focus, in steps of the series."""
    medial_steps_u: float
    medial_um: float
    """The same at the sensor; NaN where the stand file has no step size."""
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
    """Sharpness at the centre's best focus, from a focus series, and the best focus of each zone and disc.

    Each step of the series moves the focus backwards, away from the lens. Arrays run over the discs measured in all
    steps.
    """

    red: PlaneSharpness
    green: PlaneSharpness
    blue: PlaneSharpness
    focus: ZoneFoci
    red_green_um: float
    """Axial colour in the centre: red's best focus less green's, positive behind; NaN without a step size."""
    red_green_um_u: float
    blue_green_um: float
    blue_green_um_u: float
    centre_steps: float
    """The centre's best focus, in steps from the first shot of the series."""
    centre_steps_u: float
    step_um: float
    """Size of a step at the sensor, from the stand file; NaN where it has none."""
    chart: str
    magnification_frac: NonNegative
    fill_frac: NonNegative
    far_light_frac: float = float("nan")
    """As in `Sharpness`, in the shot nearest to the centre's best focus; `spill_frac` too."""
    far_light_frac_u: float = float("nan")
    spill_frac: float = float("nan")
    spill_frac_u: float = float("nan")
    shot_count: int
    """Steps that were used."""
    left_out_count: int
    """Odd steps that were left out."""
    width_px: int
    height_px: int
    node: NDArray[np.int64]
    """(discs, 2)."""
    place_px: NDArray[np.float64]
    """(discs, 2)."""
    behind_steps: NDArray[np.float64]
    """(discs, 2): distance of each disc's sagittal and tangential focus behind the centre's; NaN outside the series."""
    behind_steps_u: NDArray[np.float64]
