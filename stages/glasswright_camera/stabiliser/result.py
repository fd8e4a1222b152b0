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
    """Share of sharp shots, at the exposure times that were shot both off and on; NaN where there is none."""
    sharp_low_frac: float
    """Lower end of the share's 95 % interval (Clopper and Pearson 1934)."""
    sharp_high_frac: float
    sharp_until_s: float
    """Exposure time at which half of the shots are sharp; NaN where it lies far beyond those that were shot."""
    sharp_until_s_u: float
    growth_ratio: float
    """Power of the exposure time with which the movement's length grows; 1 for an even movement."""
    growth_ratio_u: float
    exposure_time_s: NDArray[np.float64]
    """(shots,), in order."""
    motion_um: NDArray[np.float64]
    """(shots,): length of the even movement that blurs as much as the shot's own; infinite where it was lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stabiliser(Artefact):
    """Benefit of a lens's stabiliser against the stand's own shaking: no rating of any standard."""

    excitation: str
    """Whose shaking it is measured against: the name of the stand's shaker."""
    benefit_stops: float
    """How many times the exposure time may double, stabiliser on, for the same blur as off."""
    benefit_stops_u: float
    benefit_low_stops: float
    """Lower end of the 95 % confidence interval."""
    benefit_high_stops: float
    still_blur_px: float
    """Blur of the lens at rest, standard deviation along one axis as of a Gaussian: the part that is taken off."""
    still_blur_px_u: float
    at_motion_um: float
    """Length of the movement at which the times off and on are compared: the middle of what both sides measured."""
    off: ShakenShots
    on: ShakenShots
