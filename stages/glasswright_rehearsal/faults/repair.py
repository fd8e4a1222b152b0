"""A rehearsed repair: the same lens after it was shimmed on its seat."""

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
        By how much the shim is thicker at one side than opposite; half more there, half less opposite.
    at
        That side, as a time on a clock seen from the front of the lens with the camera upright.
    seat_mm
        Diameter on which the shim lies.
    flange_um
        By how much the whole lens comes forward, away from the body.
    magnification_frac
        Of the chart: the object plane leans, seen from the tilted lens, and adds so much to the image's tilt.

    Notes
    -----
    Where the lens comes forward, so does its image, and what lay behind the sensor lies less so. The scene's right is
    imaged on the right of the sensor for who looks into the lens, the scene's lower edge on its upper half; the file
    shows the scene upright. So the file's right is the front's right, and its bottom is the front's top.
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
