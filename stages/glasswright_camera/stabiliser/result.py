"""Result of `measure_stabiliser`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ShakenShots:
    """The shots with the stabiliser off, or those with it on."""

    shot_count: int
    lost_count: int
    """Shots whose edges could not be traced: they count as blurred more than any other."""
    sharp_frac: float
    """Share of sharp shots, at the exposure times shot both off and on; NaN without such times."""
    sharp_low_frac: float
    """Lower end of the share's 95 % interval (Clopper and Pearson 1934)."""
    sharp_high_frac: float
    sharp_until_s: float
    """Exposure time at which half of the shots are sharp; NaN if far beyond those that were shot."""
    sharp_until_s_u: float
    growth_ratio: float
    """Exponent of the exposure time in the movement's length; 1 for a uniform movement."""
    growth_ratio_u: float
    exposure_time_s: NDArray[np.float64]
    """(shots,), in order."""
    motion_um: NDArray[np.float64]
    """(shots,): length of the even straight movement that blurs as much; infinite where the shot was lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stabiliser(Artefact):
    """Benefit of a lens's stabiliser on the stand's own shaker; it is not a rating by a standard."""

    excitation: str
    """Name of the stand's shaker."""
    benefit_stops: float
    """Number of doublings of the exposure time, stabiliser on, for the same blur as off."""
    benefit_stops_u: float
    benefit_low_stops: float
    """Lower end of the 95 % confidence interval."""
    benefit_high_stops: float
    still_blur_px: float
    """Blur of the lens at rest: standard deviation, along one axis, of a Gaussian of the same MTF50."""
    still_blur_px_u: float
    at_motion_um: float
    """Length of the movement at which the times off and on are compared: the middle of the range of both."""
    off: ShakenShots
    on: ShakenShots
