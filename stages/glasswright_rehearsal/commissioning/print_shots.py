"""A print with the errors of printers and paper, shot from several sides."""

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
from glasswright_rehearsal.scene.printing import DESIGN_PITCH_MM, place_nodes
from glasswright_rehearsal.scene.sensor import mosaic_sensor

if TYPE_CHECKING:
    from glasswright_rehearsal.commissioning.bench import NewBench

FILL_FRAC = 0.9
BLUR = 0.4
"""Standard deviation of the lens's blur, pixels: a sharp lens at f/8."""
VIEWS = (
    (0, 0, 0, 0, 0), (90, 0, 0, 0, 0), (180, 0, 0, 0, 0), (270, 0, 0, 0, 0),
    (0, 12, 0, 0, 0), (0, -12, 0, 0, 0), (0, 0, 12, 0, 0), (0, 0, -12, 0, 0),
    (0, 0, 0, 0.2, 0), (0, 0, 0, -0.2, 0), (90, 10, 9, 0, 0), (180, -10, 8, 0, 0.12),
)  # fmt: skip
"""Roll and tilts about x and y in degrees, then shift in x and y in frame widths and heights."""


def write_print_shots(
    bench: NewBench,
    mountings: tuple[int, ...] = (0,) * len(VIEWS),
    movement_mm: float = 0.0,
    rule_u_mm: float = 0.1,
) -> None:
    """Write the shots, the reading of the steel rule and the true nodes.

    Parameters
    ----------
    bench
        The stand.
    mountings
        Index of the mounting for each view.
    movement_mm
        Standard deviation of a node from one mounting to another, for a pitch of 60 mm.
    rule_u_mm
        Standard deviation of the rule's reading, for a pitch of 60 mm.
    """
    frame, generator, sensor = bench.frame, bench.draw(3), mosaic_sensor("RGGB")
    lens = Lens(
        f_number=8.0,
        distortion=Distortion(k1=-0.014, k2=0.003, axis_shift_frac=(0.002, -0.001)),
        aberrations=Aberrations(blur_um=BLUR * frame.pitch_um),
    )
    layout = bench.printed
    nodes = np.array(layout.nodes_mm)
    size = layout.pitch_mm / DESIGN_PITCH_MM
    magnification = fill_magnification(layout, frame.width_px, frame.height_px, frame.pitch_um, FILL_FRAC)
    moved = size * movement_mm * generator.standard_normal((max(mountings) + 1, *nodes.shape))
    for shot, (mounting, view) in enumerate(zip(mountings, VIEWS, strict=True)):
        roll, tilt_x, tilt_y, x, y = view
        pose = Pose(
            magnification_frac=magnification,
            rotation_deg=roll + float(generator.normal(0, 0.3)),
            tilt_x_deg=tilt_x + float(generator.normal(0, 0.1)),
            tilt_y_deg=tilt_y + float(generator.normal(0, 0.1)),
            shift_px=(x * frame.width_px + float(generator.normal(0, 3)), y * frame.height_px),
        )
        scene = Scene(
            frame=frame,
            lens=lens,
            sensor=sensor,
            lighting=Lighting(exposure_frac=0.62),
            layout=place_nodes(layout, nodes + moved[mounting]),
            pose=pose,
        )
        values = render_frame(scene, np.random.SeedSequence([bench.seed, 3, shot]))
        exif = Exif(exposure_s=Fraction(1, 4), f_number=8.0, date=f"2026:03:02 15:{shot:02d}:00")
        bench.write_shot(f"print/mounting_{mounting + 1}/{shot:02d}", values, sensor, exif)
    ends = (layout.columns * (layout.rows // 2), layout.columns * (layout.rows // 2 + 1) - 1)
    length = float(np.linalg.norm(nodes[ends[0]] - nodes[ends[1]])) + size * rule_u_mm * float(generator.normal())
    rule = {
        "from": [0, layout.rows // 2],
        "to": [layout.columns - 1, layout.rows // 2],
        "length_mm": round(length, 3),
        "length_u_mm": size * rule_u_mm,
    }
    (bench.out / "print" / "rule.yaml").write_text(yaml.safe_dump(rule, sort_keys=False), encoding="utf-8")
    distortion = {"k1": lens.distortion.k1, "k2": lens.distortion.k2}
    bench.write_truth("print", {"nodes_mm": nodes.round(6).tolist(), **distortion})
