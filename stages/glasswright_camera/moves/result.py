"""Result of `suggest_moves`."""

from __future__ import annotations

from dataclasses import dataclass

from glasswright import Artefact, NonNegative


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves(Artefact):
    """Adjustments that bring best focus onto the sensor, for the whole lens moved on its seat.

    A hint under the maker's service documents; no limit should use it. Values are of the most significant
    setting, and NaN without the necessary shots. Directions in the file run from x (right) towards y (down); clock
    positions are on the lens, seen from its front with the camera upright.
    """

    shim_mm: NonNegative
    """Thickness of a shim on one side of the seat minus the opposite side, to remove the tilt of best focus."""
    shim_mm_u: float
    shim_deg: float
    """Direction of the thicker side: focus is behind the sensor there, so that the lens must come forward."""
    shim_deg_u: float
    shim_x_mm: float
    """Component along x: thicker on the right than on the left."""
    shim_x_mm_u: float
    shim_y_mm: float
    """Component along y: thicker at the bottom of the file, the top of the lens."""
    shim_y_mm_u: float
    flange_um: float
    """Change of flange distance that removes the ramp's focus offset; positive for an increase, by a thicker shim."""
    flange_um_u: float
    share_um: float
    """Change of flange distance, from best focus of the middle, that divides the defocus of a curved field equally
    between middle and corners: half of the field curvature. The field stays curved."""
    share_um_u: float
    coma_ratio: NonNegative
    """Coma in the middle relative to typical aberrated lenses: a decentred element."""
    coma_ratio_u: float
    coma_deg: float
    """Line along which the element must move; the sense depends on the lens."""
    coma_deg_u: float
    seat: str
    """Assumed place of the shim."""
    seat_diameter_mm: float
    where: str
    """Setting of tilt, field curvature and coma; the next is that of the focus offset."""
    offset_where: str
    tilt_of: str
    """Object of the tilt, as in `measure_centring`."""
