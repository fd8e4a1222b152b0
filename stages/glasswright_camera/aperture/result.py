"""Result of `measure_aperture`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact, NonNegative

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Aperture(Artefact):
    """How well the aperture closes to its markings, from light over exposure time.

    Of each focal length, against its lowest f-number in the ticket, which stands for wide open. EV; positive where more
    light came than the marking promises: the blades stayed too far open. Diffuse source and chart are each compared
    with themselves, so neither their light nor its colour matters, only how steady it was.
    """

    aperture_step_error_ev: float
    """The f-number whose light is farthest from what its marking promises: mean of its shots."""
    aperture_step_error_ev_u: float
    aperture_scatter_ev: NonNegative
    """Standard deviation between the shots of one f-number, of the f-number where it is largest, wide open left out;
    NaN where no f-number has two shots. The light's own unsteadiness is part of it."""
    aperture_scatter_ev_u: float
    """So wide that 1.645 of it reach the one-sided 95 % limit of a standard deviation from so few shots."""
    repeat_scatter_ev: NonNegative
    """At the same f-number, about each light's own mean: what shots of one light differ by; NaN without repeats."""
    repeat_scatter_ev_u: float
    first_shot_excess_ev: float
    """Light of the first stopped-down shots after a rest over that of the shots that follow at the same f-number:
    blades that stick. NaN where no times are in the files, or nothing follows."""
    first_shot_excess_ev_u: float
    wide_open_scatter_ev: NonNegative
    """Standard deviation between shots of one light wide open, where no blade moves: lamps and shutter alone."""
    wide_open_scatter_ev_u: float
    lights_apart_ev: float
    """At the f-number of `aperture_step_error_ev`: what the diffuse source says of it less what the chart's lamps say;
    NaN where only one was shot. An aperture's error is the same in both."""
    lights_apart_ev_u: float
    step_where: str
    """Setting of `aperture_step_error_ev`; likewise the next."""
    scatter_where: str
    wide_open_repeat_count: int
    """Shots wide open less the lights they are of: what `wide_open_scatter_ev` rests on."""
    shot_count: int
    focal_length_mm: NDArray[np.float64]
    """(shots,): NaN where nobody said. Wide-open shots are in the table too."""
    f_number: NDArray[np.float64]
    """(shots,)."""
    error_ev: NDArray[np.float64]
    """(shots,): of one shot."""
    is_flat: NDArray[np.bool_]
    """(shots,): of the diffuse source, not of the chart."""
    is_rested: NDArray[np.bool_]
    """(shots,): whether it is the first stopped-down one after a rest."""
    shots: tuple[str, ...]
