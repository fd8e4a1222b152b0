"""Invented traces for the stages that read them: MTF50, centres and profiles as functions of place."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from glasswright import Setting
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, Sensor, Stand

if TYPE_CHECKING:
    from collections.abc import Callable

WIDTH, HEIGHT = 6000, 4000
PITCH = 440.0
HALF_SIGMA = np.sqrt(np.log(2) / 2) / np.pi
FREQUENCY = np.arange(0.0, 0.6001, 0.02)
DISTANCE = np.arange(-20.0, 20.01, 0.5)


def make_stand(pitch_um: float = 5.0) -> Stand:
    layout = ChartLayout(
        name="lattice_13x9",
        columns=13,
        rows=9,
        pitch_mm=120.0,
        disc_diameter_mm=48.0,
        marks=tuple(Mark(column=c, row=r, kind="ring") for c, r in ((5, 3), (8, 3), (5, 5))),
        ring_hole_diameter_mm=19.2,
        large_diameter_mm=67.2,
        contrast_ratio=15.0,
    )
    return Stand(sensor=Sensor(pixel_pitch_um=pitch_um), charts=(ChartUse(layout=layout),))


def lattice() -> tuple[np.ndarray, np.ndarray]:
    """Nodes and places of 13 x 9 discs about the middle of the frame."""
    column, row = np.meshgrid(np.arange(13), np.arange(9))
    node = np.column_stack([column.ravel(), row.ravel()])
    return node, (node - [6, 4]) * PITCH + [(WIDTH - 1) / 2, (HEIGHT - 1) / 2]


def make_trace(
    sharpness: Callable[[np.ndarray, int], np.ndarray] | None = None,
    *,
    shift: Callable[[np.ndarray, int], np.ndarray] | None = None,
    planes: tuple[str, ...] = ("red", "green", "blue"),
    u: float = 0.001,
    centre_u: float = 0.002,
    shot: str = "chart/0001.dng",
    role: str = "chart",
    sequence: int = 0,
    lost: tuple[int, ...] = (),
    width: int = WIDTH,
) -> Trace:
    """A trace whose MTF50 (discs, 2) and displacement (discs, 2) are functions of the places and the plane."""
    node, place = lattice()
    count, number = len(node), len(planes)
    mtf50 = np.full((number, count, 2), 0.25)
    centre = np.repeat(place[None], number, axis=0)
    for plane in range(number):
        if sharpness is not None:
            mtf50[plane] = sharpness(place, plane)
        if shift is not None:
            centre[plane] += shift(place, plane)
    mtf50[:, list(lost)] = np.nan
    centre[:, list(lost)] = np.nan
    profile = ndtr(DISTANCE * np.nan_to_num(mtf50, nan=0.25)[..., None] / HALF_SIGMA)
    one = np.ones((number, count))
    return Trace(
        shot=shot,
        role=role,
        sequence_count=sequence,
        chart="lattice_13x9",
        width_px=width,
        height_px=HEIGHT,
        planes=planes,
        node=node,
        centre_px=centre,
        centre_u_px=np.full((number, count, 2), centre_u),
        covariance_px2=np.zeros((number, count, 2)),
        radius_px=88.0 * one,
        ellipse_px=np.zeros((number, count, 2)),
        mtf50=mtf50,
        mtf50_u=np.full((number, count, 2), u),
        blur_direction=np.zeros((number, count, 2)),
        asymmetry=np.zeros((number, count, 2)),
        asymmetry_u=np.full((number, count, 2), 0.01),
        dark_light=0.05 * one,
        paper_light=0.8 * one,
        noise=0.005 * one,
        misfit_frac=0.0 * one,
        left_out_frac=0.0 * one,
        far_light=np.zeros((number, count, 2)),
        middle_light=np.zeros((number, count)),
        frequency=FREQUENCY,
        mtf=np.exp(-np.log(2) * (FREQUENCY / mtf50[..., None]) ** 2).astype(np.float32),
        distance_px=DISTANCE,
        profile=profile.astype(np.float32),
        magnification_frac=0.0225,
        rotation_deg=0.0,
        is_mark=np.zeros(count, dtype=bool),
        disc_count=count - len(lost),
        left_out_count=len(lost),
        setting=Setting(focal_length_mm=50.0, f_number=4.0),
    )
