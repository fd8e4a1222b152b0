"""Ramps for tests: the stand's print, rehearsed on a small frame, and traces with a known blur curve."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glasswright import Setting
from glasswright.config import read_config
from glasswright_camera.chart.ramp import RampTrace
from glasswright_camera.stand import RampLayout, RampUse, Stand
from glasswright_rehearsal import Frame, Lens, Scene
from glasswright_rehearsal.frames.ramp import place_board
from glasswright_rehearsal.scene.layout import read_layout
from glasswright_rehearsal.scene.lens import Aberrations
from support import ROOT
from support.rehearsed_shots import make_lattice_scene, stand_for

PRINT = ROOT / "configs/charts/ramp_9x17.yaml"


def make_ramp_scene(defocus_um=0.0, *, angle_deg=45.0, f_number=2.0, turn_deg=0.0) -> Scene:
    """The board in the middle of a small frame; best focus of red is 1.5 um behind green, of blue 2 um before it."""
    aberrations = Aberrations(blur_um=1.5, defocus_um=defocus_um, plane_defocus_um=(1.5, 0.0, -2.0))
    pose = place_board(0.0225, angle_deg)
    return Scene(
        frame=Frame(width_px=600, height_px=816, pitch_um=6.0),
        lens=Lens(f_number=f_number, aberrations=aberrations),
        layout=read_layout(PRINT),
        pose=replace(pose, rotation_deg=pose.rotation_deg + turn_deg),
        is_deep=True,
    )


def make_ramp_stand(angle_deg=45.0) -> Stand:
    """A stand with the shipped ramp."""
    layout = read_config(PRINT, RampLayout)
    return replace(stand_for(make_lattice_scene()), ramps=(RampUse(layout=layout, angle_deg=angle_deg),))


def make_ramp_trace(
    best_um=0.0,
    *,
    colours=(1.5, 0.0, -2.0),
    noise=0.0,
    seed=0,
    angle_deg=45.0,
    angle_deg_u=0.0,
    f_number=2.0,
    focal_length_mm=50.0,
    magnification=0.0225,
    shot="ramp/0000",
    rows=17,
    pitch_mm=16.0,
) -> RampTrace:
    """Trace with blur ``8 + 0.03 t^2`` square pixels, t the distance from best focus at the sensor in um."""
    generator = np.random.default_rng(seed)
    column, row = (part.ravel() for part in np.meshgrid(np.arange(9), np.arange(rows)))
    along = ((rows - 1) / 2 - row) * pitch_mm
    axial = along * np.cos(np.radians(angle_deg))
    shift = 1000 * magnification**2 * axial / (1 + axial * magnification / focal_length_mm)
    blur = np.stack([8 + 0.03 * (shift - best_um - colour) ** 2 for colour in colours])
    mtf50 = np.repeat((blur**-0.5)[..., None], 2, axis=-1)
    mtf50 = mtf50 * (1 + noise * generator.normal(size=mtf50.shape))
    return RampTrace(
        shot=shot,
        role="ramp",
        sequence_count=0,
        ramp="ramp_9x17",
        planes=("red", "green", "blue"),
        node=np.column_stack([column, row]),
        along_mm=along,
        mtf50=mtf50,
        mtf50_u=np.full_like(mtf50, max(noise, 1e-6)) * mtf50,
        magnification_frac=magnification,
        angle_deg=angle_deg,
        angle_deg_u=angle_deg_u,
        disc_count=len(row),
        left_out_count=0,
        setting=Setting(focal_length_mm=focal_length_mm, f_number=f_number),
    )
