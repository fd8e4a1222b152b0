"""Traces with known truth: OpenCV projects the chart with its outlines, and noise is added."""

from __future__ import annotations

import cv2
import numpy as np

from glasswright import Setting
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stand import ChartLayout
from support.chart_drawing import make_layout

PITCH_UM = 6.0


def project_discs(
    layout: ChartLayout,
    *,
    width=6000,
    height=4000,
    focal_mm=50.0,
    magnification=0.0225,
    radial=(0.0, 0.0, 0.0),
    tangential=(0.0, 0.0),
    tilt_x=0.0,
    tilt_y=0.0,
    rotation=0.0,
    shift_px=(0.0, 0.0),
    true_size=True,
) -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 2) and image places (n, 2) of disc centroids. Distortion terms are in half-diagonals."""
    focal_px = focal_mm * (1 + magnification) * 1000 / PITCH_UM
    half = np.hypot(width, height) / 2
    # OpenCV's unit is the focal length, ours the half-diagonal
    unit = focal_px / half
    k1, k2, k3 = (k * unit ** (2 * (i + 1)) for i, k in enumerate(radial))
    p1, p2 = (p * unit for p in tangential)
    camera = np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1]])
    turn_x, turn_y, turn_z = (
        cv2.Rodrigues(np.radians(angle) * np.array(axis, float))[0]
        for angle, axis in ((tilt_x, (1, 0, 0)), (tilt_y, (0, 1, 0)), (rotation, (0, 0, 1)))
    )
    turn = turn_y @ turn_x @ turn_z
    column, row = np.meshgrid(np.arange(layout.columns), np.arange(layout.rows))
    node = np.column_stack([column.ravel(), row.ravel()])
    middle = (node - [(layout.columns - 1) / 2, (layout.rows - 1) / 2]) * layout.pitch_mm
    distance = focal_mm * (1 + magnification) / magnification
    move = np.array([*np.array(shift_px) * PITCH_UM / 1000 / magnification, distance])
    lens = np.array([k1, k2, p1, p2, k3])

    def show(points: np.ndarray) -> np.ndarray:
        flat = np.column_stack([points.reshape(-1, 2), np.zeros(points.size // 2)])
        found = cv2.projectPoints(flat, cv2.Rodrigues(turn)[0], move, camera, lens)[0]
        return found.reshape(points.shape)

    if not true_size:
        return node, show(middle)
    # the disc as many small patches of equal area; each counts with the area its image has
    rings = np.sqrt((np.arange(24) + 0.5) / 24)
    angle = 2 * np.pi * np.arange(48) / 48
    patch = (rings[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], -1)).reshape(-1, 2)
    points = middle[:, None] + patch * layout.disc_diameter_mm / 2
    right, low = np.array([0.01, 0]), np.array([0, 0.01])
    across, down = (
        show(points + right) - show(points - right),
        show(points + low) - show(points - low),
    )
    area = np.abs(across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0])[..., None]
    return node, (show(points) * area).sum(axis=1) / area.sum(axis=1)


def make_trace(
    node: np.ndarray,
    centre: np.ndarray,
    *,
    chart="lattice_13x9",
    width=6000,
    height=4000,
    noise_px=0.0,
    u_px=0.01,
    seed=0,
    planes=("red", "green", "blue"),
    shot="chart/0001",
    focal_mm: float | None = 50.0,
) -> Trace:
    rng = np.random.default_rng(seed)
    n, p = len(node), len(planes)
    centres = centre + rng.normal(0, 1, (p, n, 2)) * noise_px
    nothing = np.full((p, n), np.nan)
    pair = np.full((p, n, 2), np.nan)
    return Trace(
        shot=shot,
        role="chart",
        sequence_count=0,
        chart=chart,
        width_px=width,
        height_px=height,
        planes=planes,
        node=node.astype(np.int64),
        centre_px=centres,
        centre_u_px=np.full((p, n, 2), u_px),
        covariance_px2=np.zeros((p, n, 2)),
        radius_px=nothing,
        ellipse_px=pair,
        mtf50=pair,
        mtf50_u=pair,
        blur_direction=pair,
        asymmetry=pair,
        asymmetry_u=pair,
        dark_light=nothing,
        paper_light=nothing,
        noise=nothing,
        misfit_frac=nothing,
        left_out_frac=nothing,
        far_light=np.full((*nothing.shape, 2), np.nan),
        middle_light=np.full(nothing.shape, np.nan),
        frequency=np.empty(0),
        mtf=np.empty((p, n, 2, 0), np.float32),
        distance_px=np.empty(0),
        profile=np.empty((p, n, 2, 0), np.float32),
        magnification_frac=0.0225,
        rotation_deg=0.0,
        is_mark=np.zeros(n, bool),
        disc_count=n,
        left_out_count=0,
        setting=Setting(focal_length_mm=focal_mm, f_number=4.0),
    )


def make_shots(count=1, *, noise_px=0.0, u_px=0.01, layout=None, focal_mm=50.0, **view) -> tuple[Trace, ...]:
    """Repeats of one view."""
    layout = layout or make_layout()
    node, centre = project_discs(layout, focal_mm=focal_mm, **view)
    return tuple(
        make_trace(
            node,
            centre,
            noise_px=noise_px,
            u_px=u_px,
            seed=k,
            shot=f"chart/{k:04d}",
            chart=layout.name,
            focal_mm=focal_mm,
        )
        for k in range(count)
    )
