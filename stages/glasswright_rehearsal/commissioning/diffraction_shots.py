"""Shots of the chart through a good lens, stopped down."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.frames.render import Scene, render_frame
from glasswright_rehearsal.scene.geometry import Pose
from glasswright_rehearsal.scene.layout import fill_magnification
from glasswright_rehearsal.scene.lens import Aberrations, Lens
from glasswright_rehearsal.scene.light import Lighting
from glasswright_rehearsal.scene.sensor import mosaic_sensor

if TYPE_CHECKING:
    from glasswright_rehearsal.commissioning.bench import NewBench

STOPS = (11.0, 16.0, 22.0)


def write_diffraction_shots(bench: NewBench, stops: tuple[float, ...] = STOPS, blur_um: float = 0.5) -> None:
    """Write two shots of the chart at each f-number, and the true values."""
    frame, sensor = bench.frame, mosaic_sensor("RGGB")
    magnification = fill_magnification(bench.printed, frame.width_px, frame.height_px, frame.pitch_um, 0.92)
    shot = 0
    for f_number in stops:
        scene = Scene(
            frame=frame,
            lens=Lens(f_number=f_number, aberrations=Aberrations(blur_um=blur_um)),
            sensor=sensor,
            lighting=Lighting(exposure_frac=0.62),
            layout=bench.printed,
            pose=Pose(magnification_frac=magnification, rotation_deg=0.3),
        )
        for _ in range(2):
            values = render_frame(scene, np.random.SeedSequence([bench.seed, 8, shot]))
            exif = Exif(exposure_s=Fraction(1), f_number=f_number, date=f"2026:03:02 18:{shot:02d}:00")
            bench.write_shot(f"diffraction/chart/{shot:02d}", values, sensor, exif)
            shot += 1
    bench.write_truth("diffraction", {"blur_um": blur_um, "magnification_frac": magnification})
