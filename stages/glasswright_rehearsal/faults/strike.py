"""Apply faults of the shooting to a chart scene."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from glasswright_rehearsal.faults.kinds import Fault
    from glasswright_rehearsal.frames.render import Scene

LAMP_SLOPE = 0.4
"""Relative change of one lamp's light over a half-diagonal."""


def strike_scene(scene: Scene, faults: tuple[Fault, ...]) -> Scene:
    """Return the chart scene with faults of the shooting."""
    for fault in faults:
        scene = _strike(scene, fault)
    return scene


def _strike(scene: Scene, fault: Fault) -> Scene:
    severity, turn = fault.severity, np.deg2rad(fault.direction_deg)
    towards = (float(severity * np.cos(turn)), float(severity * np.sin(turn)))
    lighting = scene.lighting
    if fault.name == "shake":
        return replace(scene, motion_px=(2.5 * towards[0], 2.5 * towards[1]))
    if fault.name == "knocked_stand":
        return replace(scene, knocked_px=(6 * towards[0], 6 * towards[1]), knocked_share=0.08)
    if fault.name == "lamp_drift":
        # one of two lamps is dimmer; each lights its side more
        lost = 0.07 * severity
        gx, gy = lighting.gradient
        gradient = (gx + LAMP_SLOPE * lost * float(np.cos(turn)), gy + LAMP_SLOPE * lost * float(np.sin(turn)))
        return replace(scene, lighting=replace(lighting, level=lighting.level * (1 - lost), gradient=gradient))
    if fault.name == "clipped":
        return replace(scene, lighting=replace(lighting, level=lighting.level * 2.2 * severity))
    return scene
