"""The camera bench: stages that measure a lens from raw shots of the stand's charts and light sources."""

from glasswright import Role
from glasswright_camera.aperture.light_level import read_light_level
from glasswright_camera.aperture.scatter import measure_aperture_scatter
from glasswright_camera.aperture.stage import measure_aperture
from glasswright_camera.aperture.transmission import measure_transmission
from glasswright_camera.centring.stage import measure_centring
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.chart.locate_ramp import locate_ramp
from glasswright_camera.diagnosis.reference_values import KnownLenses
from glasswright_camera.diagnosis.stage import diagnose
from glasswright_camera.distortion.stage import measure_distortion
from glasswright_camera.drawings import DRAWINGS, FRAME_DRAWINGS, HINTS, LEADING_DRAWINGS, SEQUELS, SERIES_DRAWINGS
from glasswright_camera.edges.slanted.stage import trace_slanted_edges
from glasswright_camera.edges.trace import Trace
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_camera.edges.trace_ramp import trace_ramp
from glasswright_camera.field_names import CAVEATS, FIELD_MAPS, FIELD_NAMES, IN_ORDER
from glasswright_camera.focus.autofocus import measure_autofocus
from glasswright_camera.focus.locked import measure_focus_shift, measure_locked_change
from glasswright_camera.focus.stage import measure_focus_offset
from glasswright_camera.fringing.stage import measure_fringing
from glasswright_camera.glare.reduce_black_spot import reduce_black_spot
from glasswright_camera.glare.stage import measure_glare
from glasswright_camera.hand_checks.stage import read_hand_checks
from glasswright_camera.light.combine_darks import combine_darks
from glasswright_camera.light.combine_flats import combine_flats
from glasswright_camera.light.flat import FlatField
from glasswright_camera.light.measure_gain import measure_gain
from glasswright_camera.light.reduce_dark import reduce_dark
from glasswright_camera.light.reduce_flat import reduce_flat
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.moves.stage import suggest_moves
from glasswright_camera.raw.stage import decode_raw
from glasswright_camera.setup_check import check_setup
from glasswright_camera.sharpness.breathing import measure_breathing
from glasswright_camera.sharpness.contrast import measure_contrast
from glasswright_camera.sharpness.stage import measure_best_focus, measure_mtf50
from glasswright_camera.shooting.stage import check_light
from glasswright_camera.spots.map_spots import map_spots
from glasswright_camera.spots.stage import find_spots
from glasswright_camera.stabiliser.stage import measure_stabiliser
from glasswright_camera.stand import Stand
from glasswright_camera.sweep.stage import measure_sweep
from glasswright_camera.vignetting.stage import measure_vignetting

STAND_SECTION = Stand
STAND_SECTIONS = {"lenses": KnownLenses}
"""A section of its own, so that a change of the known lenses invalidates no measurement."""

ROLES = {
    # independent of the lens
    "dark": Role(shareable=True, through_lens=False, has_setting=False),
    "flat": Role(),
    # may be shared by tickets shot one after another on an untouched stand
    "panel": Role(shareable=True),
    "chart": Role(has_distance=True),
    "focus_series": Role(has_distance=True),
    "ramp": Role(),
    "ramp_locked": Role(),
    "black_spot": Role(),
    "shake_off": Role(is_timed=True),
    "shake_on": Role(is_timed=True),
}

SETUP_CHECK = check_setup

__all__ = [
    "CAVEATS",
    "DRAWINGS",
    "FIELD_MAPS",
    "FIELD_NAMES",
    "FRAME_DRAWINGS",
    "HINTS",
    "IN_ORDER",
    "LEADING_DRAWINGS",
    "ROLES",
    "SEQUELS",
    "SERIES_DRAWINGS",
    "SETUP_CHECK",
    "STAND_SECTION",
    "STAND_SECTIONS",
    "ChartFit",
    "FlatField",
    "Mosaic",
    "Stand",
    "Trace",
    "check_light",
    "combine_darks",
    "combine_flats",
    "decode_raw",
    "diagnose",
    "find_spots",
    "locate_chart",
    "locate_ramp",
    "map_spots",
    "measure_aperture",
    "measure_aperture_scatter",
    "measure_autofocus",
    "measure_best_focus",
    "measure_breathing",
    "measure_centring",
    "measure_contrast",
    "measure_distortion",
    "measure_focus_offset",
    "measure_focus_shift",
    "measure_fringing",
    "measure_gain",
    "measure_glare",
    "measure_locked_change",
    "measure_mtf50",
    "measure_stabiliser",
    "measure_sweep",
    "measure_transmission",
    "measure_vignetting",
    "read_hand_checks",
    "read_light_level",
    "reduce_black_spot",
    "reduce_dark",
    "reduce_flat",
    "suggest_moves",
    "trace_edges",
    "trace_ramp",
    "trace_slanted_edges",
]
