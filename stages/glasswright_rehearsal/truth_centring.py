"""The truth of a lens's tilt, decentring, field curvature and veil: the numbers that the renderer draws with."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from glasswright_rehearsal.geometry import Frame
    from glasswright_rehearsal.lens import Lens

ARCMIN: Final = 60 * 180 / np.pi


def describe_centring(lens: Lens, frame: Frame) -> dict[str, Any]:
    """Give tilt, coma, field curvature and glare at one setting, ready for JSON.

    Directions run from the sensor's x axis (right) towards y (down), 0 to 360 degrees. A tilt points to the side whose
    focus lies behind the sensor, the coma to where its far tail lies. The veil's share is that of the light that comes
    from the paper in the middle of the frame, and of that light and itself.
    """
    a = lens.aberrations
    half_um = frame.half_diagonal_px * frame.pitch_um
    slope = float(np.hypot(*a.tilt_um))
    return {
        "tilt": {
            "x_um_per_half_diagonal": a.tilt_um[0],
            "y_um_per_half_diagonal": a.tilt_um[1],
            "slope_um_per_half_diagonal": slope,
            "arcmin": float(np.arctan(slope / half_um)) * ARCMIN,
            "direction_deg": _point(a.tilt_um),
        },
        "decentring": {
            "coma_waves": a.coma_waves,
            "direction_deg": a.decentre_deg % 360,
            "blur_growth_per_half_diagonal": a.decentre_gradient,
        },
        "field_curvature": {"corner_um": a.field_curvature_um},
        "glare": {
            "veil_of_paper_pct": 100 * a.veil_frac,
            "veil_share_pct": 100 * a.veil_frac / (1 + a.veil_frac),
            "halo_share_pct": 100 * a.haze_frac,
        },
    }


def _point(pair: tuple[float, float]) -> float:
    """Give the direction of a pair."""
    return float(np.rad2deg(np.arctan2(pair[1], pair[0]))) % 360
