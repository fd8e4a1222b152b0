"""Result of `measure_sweep`: sharpness against f-number and focal length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionSweep:
    """One part of the field over all settings; of a zoom, at the focal length where that part is sharpest.

    The f-numbers are NaN where only one was shot, or where the part was not measured at all of them.
    """

    sharpest_cy_per_px: float
    """Green MTF50 at the sharpest setting."""
    sharpest_cy_per_px_u: float
    sharpest_f_number: float
    lowest_tied_f_number: float
    """The lowest f-number that does not differ significantly from the sharpest."""
    highest_tied_f_number: float
    """Likewise the highest."""
    sharpest_focal_length_mm: float
    weakest_cy_per_px: float
    """The lowest of the best values of each focal length."""
    weakest_cy_per_px_u: float
    weakest_focal_length_mm: float
    wide_open_ratio: float
    """Sharpness at the lowest f-number over that at the sharpest, of the focal length where it is lowest."""
    wide_open_ratio_u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep(Artefact):
    """Sharpness and corner light against f-number and focal length, with their ceiling.

    The arrays are the table behind the numbers, one row per setting, by focal length, then f-number.
    """

    centre: RegionSweep
    corner: RegionSweep
    """Mean of the four corners."""
    whole: RegionSweep
    """Mean of centre, mid and the four corners."""
    aperture_falloff_ev: float
    """Mean corner loss at the lowest f-number less that at the highest, of the focal length where it is largest; NaN
    without flats at both."""
    aperture_falloff_ev_u: float
    ceiling_ratio: float
    """The highest ratio of MTF50 to its ceiling of any plane, zone and direction; above 1 the measurement is wrong."""
    ceiling_ratio_u: float
    ceiling_where: str
    """Setting, plane, zone and direction of that ratio."""
    focal_length_count: int
    setting_count: int
    focal_length_mm: NDArray[np.float64]
    """(settings,); NaN where not known."""
    f_number: NDArray[np.float64]
    """(settings,)."""
    sharpness: NDArray[np.float64]
    """(settings, 3): green MTF50 of centre, corner and whole field, cycles per pixel."""
    sharpness_u: NDArray[np.float64]
    """(settings, 3): standard uncertainty."""
    ceiling: NDArray[np.float64]
    """(settings, 3): highest MTF50 that diffraction and pixel allow in red, green and blue, cycles per pixel."""
    highest: NDArray[np.float64]
    """(settings, 3): highest measured MTF50 of any zone and direction in red, green and blue, cycles per pixel."""
    corner_loss: NDArray[np.float64]
    """(settings,): mean corner loss in EV; NaN without flats."""
    corner_loss_u: NDArray[np.float64]
    """(settings,): standard uncertainty."""
