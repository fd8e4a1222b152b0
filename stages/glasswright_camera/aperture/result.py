"""Result of `measure_aperture`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact, NonNegative

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Aperture(Artefact):
    """Error and scatter of the aperture, from light over exposure time.

    Values are relative to the lowest f-number of each focal length in the ticket, which is taken as wide open. In EV,
    positive for more light than by the marking: the aperture is too far open. Diffuse source and chart are each
    compared with themselves, so that only changes of their light matter, not its level or colour.
    """

    aperture_step_error_ev: float
    """Error of the f-number with the largest error, mean of its shots, beyond what the marking of the lowest f-number
    explains (see `aperture_common_error_ev`)."""
    aperture_step_error_ev_u: float
    aperture_scatter_ev: NonNegative
    """Largest standard deviation between shots of one f-number, without wide open; NaN if no f-number has two shots.
    It includes the scatter of the light."""
    aperture_scatter_ev_u: float
    """1.645 times this reaches the one-sided 95 % limit of a standard deviation from this number of shots."""
    repeat_scatter_ev: NonNegative
    """The same, about the mean of each light; NaN without repeats."""
    repeat_scatter_ev_u: float
    first_shot_excess_ev: float
    """Light of the first stopped-down shots after a rest relative to the next shots at the same f-number: sticking
    blades. NaN if the files have no times, or no shot follows."""
    first_shot_excess_ev_u: float
    wide_open_scatter_ev: NonNegative
    """Standard deviation between shots of one light wide open, where no blade moves: lamps and shutter."""
    wide_open_scatter_ev_u: float
    lights_apart_ev: float
    """At the f-number of `aperture_step_error_ev`: error with the diffuse source minus that with the chart; NaN if only
    one was shot. An error of the aperture is the same in both."""
    lights_apart_ev_u: float
    step_where: str
    """Setting of `aperture_step_error_ev`; the next is that of the scatter."""
    scatter_where: str
    wide_open_repeat_count: int
    """Number of wide-open shots minus number of lights: degrees of freedom of `wide_open_scatter_ev`."""
    shot_count: int
    focal_length_mm: NDArray[np.float64]
    """(shots,): NaN if unknown. Wide-open shots are included."""
    f_number: NDArray[np.float64]
    """(shots,)."""
    error_ev: NDArray[np.float64]
    """(shots,): error of each shot."""
    is_flat: NDArray[np.bool_]
    """(shots,): whether it is of the diffuse source, not of the chart."""
    is_rested: NDArray[np.bool_]
    """(shots,): whether it is the first stopped-down shot after a rest."""
    shots: tuple[str, ...]
    aperture_common_error_ev: float = math.nan
    """Error that all f-numbers of a focal length have in common: that of the f-number nearest its marking, 0 if some
    have too much light and some too little. It may be that of the lowest f-number's marking, and is then the same in
    all copies of a model. Of several focal lengths the largest."""
    aperture_common_error_ev_u: float = math.nan
    common_where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ApertureScatter(Artefact):
    """Scatter of the light between shots of one f-number, each stopped down anew."""

    aperture_scatter_ev: NonNegative
    """Standard deviation between shots, free of the bias of small samples. It includes the scatter of lamps and
    shutter, so it is an upper limit for the blades."""
    aperture_scatter_ev_u: float
    """1.645 times this reaches the one-sided 95 % limit of a standard deviation from this number of shots."""
    shot_count: int
