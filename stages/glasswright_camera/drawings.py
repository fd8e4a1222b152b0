"""Drawings of this plugin, by the type of result."""

from __future__ import annotations

from typing import TYPE_CHECKING

from glasswright import Shot
from glasswright_camera.aperture.drawing import draw_aperture, draw_transmission
from glasswright_camera.aperture.result import Aperture
from glasswright_camera.aperture.transmission import Transmission
from glasswright_camera.centring.drawing import draw_centring
from glasswright_camera.centring.result import Centring
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.chart.ramp import RampTrace
from glasswright_camera.diagnosis.drawing import describe_hint, draw_diagnosis
from glasswright_camera.diagnosis.result import Diagnosis
from glasswright_camera.distortion.drawing import draw_distortion
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.edges.drawing import draw_bare_frame, draw_fit_frame, draw_flat_frame, draw_trace_frame
from glasswright_camera.edges.trace import Trace
from glasswright_camera.focus.drawing import draw_offset, draw_ramp
from glasswright_camera.focus.drawing_locked import draw_focus_shift
from glasswright_camera.focus.locked import FocusShift
from glasswright_camera.focus.result import FocusOffset
from glasswright_camera.fringing.drawing import draw_fringing
from glasswright_camera.light.drawing import draw_flat
from glasswright_camera.light.flat import FlatField, FlatShot
from glasswright_camera.moves.drawing import draw_moves
from glasswright_camera.moves.result import Moves
from glasswright_camera.moves.sentences import compare_moves, describe_moves
from glasswright_camera.sharpness.breathing import Breathing
from glasswright_camera.sharpness.drawing import draw_sharpness, read_field
from glasswright_camera.sharpness.drawing_focus import draw_breathing, draw_focus
from glasswright_camera.spots.drawing import draw_spots
from glasswright_camera.spots.result import Spots
from glasswright_camera.sweep.drawing import draw_sweep
from glasswright_camera.sweep.result import Sweep

if TYPE_CHECKING:
    from glasswright.plugin.drawing import Picture

FOCUS_ROLE = "focus_series"


def draw_traces(traces: tuple[Trace, ...]) -> list[Picture]:
    """Draw the chart shots of a setting, or its focus series."""
    if traces[0].role == FOCUS_ROLE:
        return draw_focus(traces)
    field = read_field(traces)
    return [] if field is None else [*draw_sharpness(field), *draw_fringing(traces)]


DRAWINGS = {
    Aperture: draw_aperture,
    Breathing: draw_breathing,
    Centring: draw_centring,
    Distortion: draw_distortion,
    FlatField: draw_flat,
    FocusOffset: draw_offset,
    FocusShift: draw_focus_shift,
    Diagnosis: draw_diagnosis,
    Moves: draw_moves,
    Spots: draw_spots,
    Sweep: draw_sweep,
    Transmission: draw_transmission,
}
HINTS = {Diagnosis: describe_hint, Moves: describe_moves}
SEQUELS = {Moves: compare_moves}
LEADING_DRAWINGS = {
    "measure_mtf50": "MTF50 over the field",
    "measure_centring": "Signs of tilt",
    "measure_vignetting": "Light lost over the frame",
    "measure_fringing": "Red and blue",
    "measure_distortion": "The lattice as",
    "find_spots": "Spots found",
    "measure_focus_offset": "Front and back",
    "measure_aperture": "Light at each f-number",
    "measure_transmission": "Light through the lens",
    "measure_focus_shift": "Focus with the focus locked",
    "measure_breathing": "Size of the image",
}
SERIES_DRAWINGS = {RampTrace: draw_ramp, Trace: draw_traces}
FRAME_DRAWINGS = {
    Trace: draw_trace_frame,
    ChartFit: draw_fit_frame,
    FlatShot: draw_flat_frame,
    Shot: draw_bare_frame,
}
