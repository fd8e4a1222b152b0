"""Rehearsed frames for the camera stages, without files."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np

from glasswright import Setting
from glasswright.plugin.artefact import CaptureFacts
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, Sensor, Stand
from glasswright_rehearsal import Frame, Lens, Pose, Scene, default_layout, fill_magnification
from glasswright_rehearsal.frames.render import render_frame
from glasswright_rehearsal.scene.layout import Mark as LayoutMark


def take_shot(scene: Scene, seed=1, *, role="chart", count=0) -> Mosaic:
    """Expose a scene."""
    return Mosaic(
        values=render_frame(scene, seed),
        pattern=scene.sensor.pattern_array(),
        planes=scene.sensor.planes,
        black_dn=np.array([scene.sensor.black_dn]),
        white_dn=float(scene.sensor.white_dn),
        facts=CaptureFacts(),
        role=role,
        shot=f"{role}/{count:04d}",
        sequence_count=count,
        setting=Setting(focal_length_mm=scene.lens.focal_length_mm, f_number=scene.lens.f_number),
    )


def stand_for(scene: Scene, **changes) -> Stand:
    """The stand with the scene's chart."""
    entries = asdict(scene.layout)
    marks = tuple(Mark(**mark) for mark in entries.pop("marks"))
    entries = {name: value for name, value in entries.items() if name in ChartLayout.__dataclass_fields__}
    return Stand(
        sensor=Sensor(pixel_pitch_um=scene.frame.pitch_um),
        charts=(ChartUse(layout=ChartLayout(marks=marks, **entries)),),
        **changes,
    )


def make_lattice_scene(width=1008, height=672, lens=None, **changes) -> Scene:
    """A chart of few discs, large enough on a small frame."""
    layout = replace(
        default_layout(),
        name="lattice_9x7",
        columns=9,
        rows=7,
        marks=tuple(LayoutMark(column=c, row=r, kind="ring") for c, r in ((3, 2), (6, 2), (3, 4))),
    )
    return Scene(
        frame=Frame(width_px=width, height_px=height, pitch_um=6.0),
        lens=lens or Lens(),
        layout=layout,
        pose=Pose(magnification_frac=fill_magnification(layout, width, height, 6.0, 0.92), rotation_deg=0.4),
        **changes,
    )
