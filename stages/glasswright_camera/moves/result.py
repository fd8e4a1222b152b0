"""Result of `suggest_moves`."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact, NonNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves(Artefact):
    """What would bring a lens's focus onto the sensor, as if the whole lens were moved on its seat.

    A hint under the maker's service documents; no limit should use it. Of the setting at which it stands out most. NaN
    where the ticket has not the shots. Directions run in the file from x (right) towards y (down); times are those of a
    clock about the lens, seen from its front with the camera upright.
    """

    shim_mm: NonNegative
    """How much thicker a shim has to be on one side of the seat than opposite, to take off the tilt of best focus."""
    shim_mm_u: float
    shim_deg: float
    """That side: the one whose focus lies behind the sensor, so that the lens has to come forward there."""
    shim_deg_u: float
    shim_x_mm: float
    """Its part along x: thicker on the right than on the left."""
    shim_x_mm_u: float
    shim_y_mm: float
    """Its part along y: thicker at the bottom of the file, the top of the lens."""
    shim_y_mm_u: float
    flange_um: float
    """Change of flange distance that takes off the focus offset of the ramp: positive for more, a thicker shim all
    round."""
    flange_um_u: float
    share_um: float
    """Change of flange distance that puts the middle's focus and the corners' equally far from the sensor on either
    side, once the middle is in focus: half of the field curvature. It flattens nothing."""
    share_um_u: float
    coma_ratio: NonNegative
    """Coma in the middle, of what is usual among aberrated lenses: an element to be moved across the axis."""
    coma_ratio_u: float
    coma_deg: float
    """The line along which it has to move; which way along it is the lens's own."""
    coma_deg_u: float
    seat: str
    """Where the shim is taken to lie."""
    seat_diameter_mm: float
    where: str
    """Setting of tilt, field curvature and coma; likewise of the focus offset."""
    offset_where: str
    tilt_of: str
    """As `measure_centring` has it: whose tilt it is."""
