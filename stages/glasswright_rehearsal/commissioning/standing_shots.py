"""The chart as it hangs, and the tilts of a lens turned in an adapter."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import yaml

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.frames.render import Scene, render_frame
from glasswright_rehearsal.scene.geometry import Pose
from glasswright_rehearsal.scene.layout import fill_magnification
from glasswright_rehearsal.scene.lens import Aberrations, Distortion, Lens
from glasswright_rehearsal.scene.light import Lighting
from glasswright_rehearsal.scene.sensor import mosaic_sensor

if TYPE_CHECKING:
    from glasswright_rehearsal.commissioning.bench import NewBench

TURNS_DEG = (0.0, 90.0, 180.0, 270.0)
BLUR = 0.4
"""Standard deviation of the lens's blur, pixels."""


def write_standing_shots(bench: NewBench, tilt_u_arcmin: float = 0.3) -> None:
    """Write two shots of a slightly tilted chart, the noted tilts of a turned lens, and the true values."""
    frame, sensor, generator = bench.frame, mosaic_sensor("RGGB"), bench.draw(10)
    tilt_x, tilt_y = (float(value) for value in generator.normal(0, 0.06, 2))
    magnification = fill_magnification(bench.printed, frame.width_px, frame.height_px, frame.pitch_um, 0.92)
    scene = Scene(
        frame=frame,
        lens=Lens(
            f_number=8.0, distortion=Distortion(k1=-0.01), aberrations=Aberrations(blur_um=BLUR * frame.pitch_um)
        ),
        sensor=sensor,
        lighting=Lighting(exposure_frac=0.62),
        layout=bench.printed,
        pose=Pose(magnification_frac=magnification, tilt_x_deg=tilt_x, tilt_y_deg=tilt_y),
    )
    for shot in range(2):
        values = render_frame(scene, np.random.SeedSequence([bench.seed, 10, shot]))
        exif = Exif(exposure_s=Fraction(1, 4), f_number=8.0, date=f"2026:03:02 20:{shot:02d}:00")
        bench.write_shot(f"standing/chart/{shot:02d}", values, sensor, exif)
    body, lens = generator.normal(0, 1.5, 2), generator.normal(0, 2.0, 2)
    turned = []
    for turn in TURNS_DEG:
        cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        seen = body + np.array([[cos, -sin], [sin, cos]]) @ lens + generator.normal(0, tilt_u_arcmin, 2)
        turned.append(
            {
                "turn_deg": turn,
                "x_arcmin": round(float(seen[0]), 3),
                "y_arcmin": round(float(seen[1]), 3),
                "u_arcmin": tilt_u_arcmin,
            }
        )
    notes = {"day": "2026-03-02", "turned": turned}
    (bench.out / "standing" / "standing.yaml").write_text(yaml.safe_dump(notes, sort_keys=False), encoding="utf-8")
    truth = {
        "chart_tilt_x_deg": tilt_x,
        "chart_tilt_y_deg": tilt_y,
        "body_tilt_x_arcmin": float(body[0]),
        "body_tilt_y_arcmin": float(body[1]),
    }
    bench.write_truth("standing", truth)
