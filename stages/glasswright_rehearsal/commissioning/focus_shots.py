"""The ramp, shot with the focus moved by one step between the shots."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import yaml

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.frames.ramp import BOARD, place_board
from glasswright_rehearsal.frames.render import Scene, render_frame
from glasswright_rehearsal.scene.layout import fill_magnification
from glasswright_rehearsal.scene.lens import Aberrations, Lens
from glasswright_rehearsal.scene.models import stop_focus
from glasswright_rehearsal.scene.sensor import mosaic_sensor

if TYPE_CHECKING:
    from glasswright_rehearsal.commissioning.bench import NewBench

F_NUMBER = 2.8
SHOTS = 7


def write_focus_shots(bench: NewBench, angle_u_deg: float = 0.3, play_um: float = 0.3) -> None:
    """Write the shots, the noted angle of the board, and the true values.

    Parameters
    ----------
    bench
        A stand with a ramp.
    angle_u_deg
        Standard deviation of the noted angle.
    play_um
        Standard deviation of the focus after a step.
    """
    if bench.ramp is None:
        message = "the stand has no ramp: name one under `camera: ramps:`"
        raise ValueError(message)
    frame, sensor, generator = bench.frame, mosaic_sensor("RGGB"), bench.draw(11)
    step_um = float(generator.uniform(10, 14))
    angle = bench.ramp_angle_deg + angle_u_deg * float(generator.standard_normal())
    magnification = fill_magnification(bench.layout, frame.width_px, frame.height_px, frame.pitch_um, 0.92)
    lens = Lens(f_number=F_NUMBER, aberrations=Aberrations(blur_um=2.0))
    for shot in range(SHOTS):
        stop = (shot - (SHOTS - 1) / 2) * step_um + play_um * float(generator.standard_normal())
        scene = Scene(
            frame=frame,
            lens=stop_focus(lens, stop),
            sensor=sensor,
            lighting=BOARD,
            layout=bench.ramp,
            pose=place_board(magnification, angle),
            is_deep=True,
        )
        values = render_frame(scene, np.random.SeedSequence([bench.seed, 11, shot]))
        exif = Exif(exposure_s=Fraction(1, 30), f_number=F_NUMBER, date=f"2026:03:02 19:{shot:02d}:00")
        bench.write_shot(f"focus/ramp/{shot:02d}", values, sensor, exif)
    notes = {
        "day": "2026-03-02",
        "ramp_angle": {"value": bench.ramp_angle_deg, "u": angle_u_deg, "origin": "rehearsed angle gauge"},
    }
    (bench.out / "focus" / "focus.yaml").write_text(yaml.safe_dump(notes, sort_keys=False), encoding="utf-8")
    bench.write_truth("focus", {"step_um": step_um, "f_number": F_NUMBER, "ramp_angle_deg": angle})
