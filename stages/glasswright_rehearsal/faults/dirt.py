"""Dirt in a lens (dust, fungus, scratches) as shadows."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.scene.light import Dust

if TYPE_CHECKING:
    from glasswright_rehearsal.faults.kinds import Fault
    from glasswright_rehearsal.scene.geometry import Frame

DIRT_FAULTS = MappingProxyType(
    {
        "lens_dust": "a fleck on the rear element",
        "fungus": "a patch of threads on the rear element",
        "scratched": "a long scratch across the rear element",
    }
)
"""Name -> effect. Sizes are for a sensor 36 mm wide and are scaled with the frame, like the print."""

DISTANCE_MM = 32.0
"""From the sensor to the rear element, along the light."""
FULL_WIDTH_MM = 36.0
FLECK_MM = 1.3
THREADS, THREAD_MM, PATCH_MM = 40, 0.25, 0.8
"""Number of specks in a patch, size of a speck, standard deviation of their places."""
SCRATCH_SPECKS, SCRATCH_MM, SCRATCH_LONG_MM = 80, 0.16, 10.0


def draw_dirt(fault: Fault, frame: Frame) -> tuple[Dust, ...]:
    """Return the motes that model a fault of the glass; none for any other fault."""
    if fault.name not in DIRT_FAULTS:
        return ()
    generator = np.random.default_rng(int(fault.direction_deg * 1000))
    scale = frame.width_px * frame.pitch_um / 1000 / FULL_WIDTH_MM
    turn = np.deg2rad(fault.direction_deg)
    axis = np.array([np.cos(turn), np.sin(turn)])
    middle = frame.centre_px + 0.25 * frame.height_px * axis
    if fault.name == "lens_dust":
        offsets, width_mm = np.zeros((1, 2)), FLECK_MM * float(np.sqrt(fault.severity))
    elif fault.name == "fungus":
        offsets, width_mm = PATCH_MM * generator.standard_normal((THREADS, 2)), THREAD_MM * fault.severity
    else:
        along = (np.arange(SCRATCH_SPECKS) / (SCRATCH_SPECKS - 1) - 0.5) * SCRATCH_LONG_MM
        offsets, width_mm = along[:, None] * np.array([-axis[1], axis[0]]), SCRATCH_MM * fault.severity
    places = middle + offsets * scale * 1000 / frame.pitch_um
    return tuple(
        Dust(
            x_px=float(x),
            y_px=float(y),
            diameter_um=1000 * width_mm * scale,
            distance_um=1000 * DISTANCE_MM * scale,
        )
        for x, y in places
    )
