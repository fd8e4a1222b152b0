"""Rehearsal: render raw files of a night with known true values. It measures nothing."""

from glasswright_rehearsal.files.dng import Exif, write_dng
from glasswright_rehearsal.frames.render import Scene, render_dark, render_frame, render_light
from glasswright_rehearsal.scene.geometry import Frame, Pose
from glasswright_rehearsal.scene.layout import Layout, Mark, default_layout, fill_magnification, read_layout
from glasswright_rehearsal.scene.lens import Aberrations, Distortion, Falloff, Lens, PlaneShift
from glasswright_rehearsal.scene.light import Dust, Lighting
from glasswright_rehearsal.scene.sensor import Sensor, mosaic_sensor

__all__ = [
    "Aberrations",
    "Distortion",
    "Dust",
    "Exif",
    "Falloff",
    "Frame",
    "Layout",
    "Lens",
    "Lighting",
    "Mark",
    "PlaneShift",
    "Pose",
    "Scene",
    "Sensor",
    "default_layout",
    "fill_magnification",
    "mosaic_sensor",
    "read_layout",
    "render_dark",
    "render_frame",
    "render_light",
    "write_dng",
]
