"""Scenes of the inclined board, with the errors of autofocus."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from glasswright_rehearsal.faults.kinds import find_fault
from glasswright_rehearsal.frames.render import find_disc_blurs, find_edges
from glasswright_rehearsal.optics.depth import find_depth_mm, sharp_image_um
from glasswright_rehearsal.scene.geometry import Pose
from glasswright_rehearsal.scene.light import Lighting
from glasswright_rehearsal.scene.models import stop_focus

if TYPE_CHECKING:
    from glasswright_rehearsal.faults.kinds import Fault
    from glasswright_rehearsal.frames.render import Scene
    from glasswright_rehearsal.night.stand_files import StandFacts

SCATTER_UM = 1.5
"""Standard deviation of the focus of a healthy autofocus, at the sensor."""
ZOOM_BOARD = 0.054
"""Largest magnification of the board at a zoom's longest focal length."""
BOARD_SHARE = 1.6
"""Height of the board over that of the frame at that focal length, at most: its middle is enough."""
ZOOM_SHIFT_UM = 25.0
"""Change of best focus by the fault `zoom_shift` at severity 1, from the longest focal length to a very short one. With
a third more the sharp plane of a 24 mm lens may lie beyond the board."""
OFFSET_UM = 16.0
"""Focus error of the fault `autofocus_offset` at severity 1."""
BOARD = Lighting(exposure_frac=0.6, gradient=(0.01, 0.02))
"""Light on the board, which is inclined to the lamps."""


def draw_ramp_scenes(
    scene: Scene, stand: StandFacts, faults: tuple[Fault, ...], count: int, generator: np.random.Generator
) -> tuple[Scene, ...]:
    """Return scenes of the board at a chart scene's setting and magnification, each with its own focus error.

    Raises
    ------
    ValueError
        When the stand has no ramp.
    """
    if stand.ramp is None or scene.pose is None:
        message = "ramp shots need a stand whose camera section names a ramp under `ramps`"
        raise ValueError(message)
    bias = 0.0
    fault = find_fault(faults, "autofocus_offset")
    if fault is not None:
        bias = OFFSET_UM * fault.severity * (1 if np.cos(np.deg2rad(fault.direction_deg)) >= 0 else -1)
    pose = place_board(scene.pose.magnification_frac, stand.ramp_angle_deg)
    board = replace(scene, layout=stand.ramp, pose=pose, lighting=BOARD, is_deep=True)
    stops = bias + SCATTER_UM * np.clip(generator.standard_normal(count), -2.5, 2.5)
    return tuple(replace(board, lens=stop_focus(scene.lens, float(stop))) for stop in stops)


def draw_locked_scene(
    scene: Scene, stand: StandFacts, magnification_frac: float, focus_um: float, zoom_um: float
) -> Scene:
    """Return a scene of the board at one setting, with the focus locked.

    Parameters
    ----------
    scene
        A chart scene of the setting.
    magnification_frac
        At the board's middle.
    focus_um, zoom_um
        Error of the locked focus, and change of best focus by zooming, at the sensor.

    Raises
    ------
    ValueError
        When the stand has no ramp.
    """
    if stand.ramp is None:
        message = "ramp shots need a stand whose camera section names a ramp under `ramps`"
        raise ValueError(message)
    pose = place_board(magnification_frac, stand.ramp_angle_deg)
    board = replace(scene, layout=stand.ramp, pose=pose, lighting=BOARD, is_deep=True)
    return replace(board, lens=stop_focus(scene.lens, focus_um + zoom_um))


def fit_board(scene: Scene, stand: StandFacts, longest_mm: float) -> float:
    """Return the board's magnification at a scene's focal length, from one place for all.

    It is near enough for the board to be large enough at a zoom's shortest focal length; at the longest the board
    reaches beyond a small frame. In still smaller frames a zoom of a large range does not show how it keeps its focus.
    """
    assert stand.ramp is not None
    focal = scene.lens.focal_length_mm
    length_mm = (stand.ramp.rows + 1) * stand.ramp.pitch_mm * np.cos(np.deg2rad(stand.ramp_angle_deg))
    largest = scene.frame.height_px * scene.frame.pitch_um / 1000 / length_mm
    longest = min(ZOOM_BOARD, BOARD_SHARE * float(largest))
    distance = longest_mm * (1 + 1 / longest)
    return float(focal / (distance - focal))


def place_board(magnification_frac: float, angle_deg: float) -> Pose:
    """Return the pose of a board at an angle to the optical axis, upper end farther away."""
    return Pose(magnification_frac=magnification_frac, rotation_deg=0.3, tilt_x_deg=-(90 - angle_deg))


def find_best_focus_mm(shot: Scene) -> dict[str, float]:
    """Return each plane's best focus along the axis, from the board's middle, farther positive; NaN off the board.

    Best focus is where a row's mean defocus is 0. The defocus is the sum of the lens's (focus, longitudinal colour,
    tilt, field curvature) and that of depth.
    """
    circles, edges = find_edges(shot)
    rows = np.unique(circles.node[:, 1])
    found = {}
    for plane, blur in zip(shot.sensor.planes, find_disc_blurs(shot, edges), strict=True):
        mean = np.array([blur.waves[(circles.node[:, 1] == row) & ~circles.is_hole].mean() for row in rows])
        assert shot.pose is not None and shot.layout is not None  # checked by find_edges
        along = np.column_stack([np.zeros(len(rows)), (rows - (len(rows) - 1) / 2) * shot.layout.pitch_mm])
        depth = find_depth_mm(along, shot.pose)
        order = np.argsort(mean)
        found[plane] = float(np.interp(0.0, mean[order], depth[order], left=np.nan, right=np.nan))
    return found


def describe_ramp(shots: tuple[Scene, ...], stand: StandFacts) -> dict[str, Any]:
    """Return each plane's best focus in each shot: mm along the axis, and um at the sensor."""
    truth: dict[str, Any] = {"angle_deg": stand.ramp_angle_deg, "shots": []}
    for shot in shots:
        best = find_best_focus_mm(shot)
        assert shot.pose is not None
        truth["shots"].append(
            {
                plane: {"offset_mm": mm, "shift_um": -float(sharp_image_um(np.array(mm), shot.pose, shot.lens))}
                for plane, mm in best.items()
            }
        )
    return truth
