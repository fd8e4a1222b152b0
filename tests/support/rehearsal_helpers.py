"""Small builders shared by the rehearsal's tests."""

from __future__ import annotations

import numpy as np

from glasswright_rehearsal import Frame, Lens, Pose, Scene, default_layout, fill_magnification
from glasswright_rehearsal.optics.blur import Blur

NO_DIFFRACTION = 1e5


def make_blur(
    cutoff=NO_DIFFRACTION,
    waves=0.0,
    variance=(0.3, 0.0, 0.3),
    halo_frac=0.0,
    halo_variance=0.0,
    motion_px=(0.0, 0.0),
    coma_waves=0.0,
    coma_deg=0.0,
):
    """Blur at one place; `variance` is xx, xy, yy in square pixels."""
    xx, xy, yy = (np.array([float(v)]) for v in variance)
    return Blur(
        cutoff=np.array([float(cutoff)]),
        waves=np.array([float(waves)]),
        variance_xx=xx,
        variance_xy=xy,
        variance_yy=yy,
        halo_frac=halo_frac,
        halo_variance=halo_variance,
        motion_px=motion_px,
        coma_waves=coma_waves,
        coma_deg=coma_deg,
    )


def make_scene(width=432, height=288, lens=None, chart=True, **changes):
    """A small chart scene, or an even field."""
    frame = Frame(width_px=width, height_px=height, pitch_um=6.0)
    layout = default_layout()
    pose = Pose(magnification_frac=fill_magnification(layout, width, height, 6.0, 0.92), rotation_deg=0.4)
    parts = {"layout": layout, "pose": pose} if chart else {}
    return Scene(frame=frame, lens=lens or Lens(), **(parts | changes))
