"""A rehearsed repair: a lens after shimming on its seat."""

from __future__ import annotations

from dataclasses import replace
from math import cos, radians, sin
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from glasswright_rehearsal.scene.geometry import Frame
    from glasswright_rehearsal.scene.lens import Lens


def shim_lens(
    lens: Lens,
    frame: Frame,
    *,
    thickness_mm: float = 0.0,
    at: str = "12:00",
    seat_mm: float = 44.0,
    flange_um: float = 0.0,
    magnification_frac: float = 0.0,
) -> Lens:
    """Return the lens moved as a whole on its seat.

    Parameters
    ----------
    thickness_mm
        Thickness of the shim on one side minus the opposite side; half more there, half less opposite.
    at
        Clock position of the thicker side, seen from the front of the lens with the camera upright.
    seat_mm
        Diameter of the shim's seat.
    flange_um
        Movement of the whole lens away from the body.
    magnification_frac
        Magnification of the chart: the object plane's tilt relative to the lens adds to the image's tilt.

    Notes
    -----
    Where the lens comes forward, its image moves with it. Seen into the lens, the scene's right is imaged on the right
    of the sensor, and the scene's lower edge on its upper half; the file shows the scene upright. So the file's right
    is the front's right, and its bottom is the front's top.
    """
    hour, minute = (int(part) for part in at.split(":"))
    turn = radians(30 * (hour % 12) + minute / 2)
    half_mm = frame.half_diagonal_px * frame.pitch_um / 1000
    forward_um = 1000 * (1 + magnification_frac) * thickness_mm * half_mm / seat_mm
    a = lens.aberrations
    moved = replace(
        a,
        tilt_um=(a.tilt_um[0] - forward_um * sin(turn), a.tilt_um[1] - forward_um * cos(turn)),
        defocus_um=a.defocus_um - flange_um,
    )
    return replace(lens, aberrations=moved)
