"""Whole rehearsed frames: distortion and corner losses compared with the truth that they were rendered from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from glasswright_camera import combine_flats, locate_chart, measure_distortion, measure_vignetting, reduce_flat
from glasswright_camera import trace_edges as trace
from glasswright_rehearsal import Frame, Lens, Pose, Scene, default_layout, fill_magnification
from glasswright_rehearsal.frames.truth import _bend_borders, find_vignetting
from glasswright_rehearsal.scene.lens import Distortion, Falloff
from support.rehearsed_shots import stand_for, take_shot

CORNERS = ("upper_left", "upper_right", "lower_left", "lower_right")
CORNER_PCT = (-7.0, 7.0)
"""Distortion at the corner, 5th to 95th percentile of interchangeable lenses in an open correction database."""
CORNER_EV = (0.08, 2.9)
"""Light lost wide open, 1st to 99th percentile of the same."""


def draw_lens(random: np.random.Generator) -> Lens:
    """Return a random lens with distortion and falloff in the range of real lenses; half with wavy distortion."""
    corner = random.uniform(*CORNER_PCT) / 100
    k1 = corner * random.uniform(1.5, 2.5) if random.random() < 0.5 else corner * random.uniform(0.6, 1.2)
    return Lens(
        f_number=4.0,
        distortion=Distortion(k1=k1, k2=corner - k1),
        falloff=Falloff(corner_ev=random.uniform(*CORNER_EV), square_share=random.uniform(0.5, 1.0)),
    )


def frame_errors(seed: int, width: int) -> tuple[float, float]:
    """Return the worst error of top and bottom line distortion in % of the height, and of the corner losses in EV."""
    random = np.random.default_rng(seed)
    lens, height = draw_lens(random), width * 2 // 3
    layout = default_layout()
    fill = 0.92 / (1 + max(lens.distortion.k1 + lens.distortion.k2, lens.distortion.k1 / 2, 0.0))
    chart = Scene(
        frame=Frame(width_px=width, height_px=height, pitch_um=6.0),
        lens=lens,
        layout=layout,
        pose=Pose(
            magnification_frac=fill_magnification(layout, width, height, 6.0, fill),
            rotation_deg=random.uniform(-0.5, 0.5),
            tilt_x_deg=random.uniform(-0.1, 0.1),
            tilt_y_deg=random.uniform(-0.1, 0.1),
        ),
    )
    stand = stand_for(chart)
    flat = combine_flats((reduce_flat(take_shot(replace(chart, layout=None, pose=None), seed, role="flat")),), stand)
    mosaic = take_shot(chart, seed + 10_000)
    found = measure_distortion((trace(mosaic, locate_chart(mosaic, stand), stand, None, flat),), stand)
    bend = _bend_borders(lens, chart.frame)
    loss = find_vignetting(lens, ("green",), chart.frame, 0.05)["green"]
    measured = measure_vignetting(flat, stand)
    return (
        max(abs(getattr(found, f"picture_height_{side}_pct") - bend[side]) for side in ("top", "bottom")),
        max(abs(getattr(measured, f"{corner}_loss_ev") - loss[corner]) for corner in CORNERS),
    )


def measure_frames(count: int, width: int) -> dict[str, float]:
    """Return the worst and the median error over whole frames."""
    errors = np.array([frame_errors(seed, width) for seed in range(1, count + 1)])
    return {
        "frames": count,
        "width_px": width,
        "bend_worst_pct": float(errors[:, 0].max()),
        "bend_median_pct": float(np.median(errors[:, 0])),
        "loss_worst_ev": float(errors[:, 1].max()),
        "loss_median_ev": float(np.median(errors[:, 1])),
    }


def print_frames(found: dict[str, float]) -> None:
    print(
        f"whole frames ({found['frames']}, {found['width_px']} px wide): picture-height distortion worst "
        f"{found['bend_worst_pct']:.4f} %, median {found['bend_median_pct']:.4f} % of the height (aim 0.005); "
        f"corner loss worst {found['loss_worst_ev']:.4f} EV, median {found['loss_median_ev']:.4f} EV (aim 0.003)"
    )
