"""The inclined board: from rehearsed pixels to best focus."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright.config import read_config
from glasswright.errors import ConfigError
from glasswright_camera.chart.locate_ramp import locate_ramp
from glasswright_camera.edges.trace_ramp import trace_ramp
from glasswright_camera.focus.stage import measure_focus_offset
from glasswright_camera.stand import RampLayout
from glasswright_rehearsal.frames.ramp import find_best_focus_mm
from glasswright_rehearsal.optics.depth import sharp_image_um
from support.ramp_shots import PRINT, make_ramp_scene, make_ramp_stand
from support.rehearsed_shots import take_shot


def trace(scene, stand):
    mosaic = take_shot(scene, role="ramp")
    return replace(trace_ramp(mosaic, locate_ramp(mosaic, stand), stand, None), setting=mosaic.setting)


@pytest.mark.parametrize(("defocus_um", "turn_deg"), [(5.0, 0.0), (-12.0, 180.0)])
def test_best_focus_of_each_colour_is_found(defocus_um, turn_deg):
    found = measure_focus_offset((trace(make_ramp_scene(defocus_um, turn_deg=turn_deg), make_ramp_stand()),))
    for colour, own_um in (("red", 1.5), ("green", 0.0), ("blue", -2.0)):
        measured = getattr(found, colour)
        # measured: off by 0.02 to 0.08 um; a turned camera sees the far end below
        assert measured.shift_um == pytest.approx(defocus_um + own_um, abs=0.2)
        assert measured.shift_um_u < 0.2
    assert found.magnification_frac == pytest.approx(0.0225, rel=2e-3)


@pytest.mark.parametrize("defocus_um", [-17.0, 17.0])
@pytest.mark.parametrize(
    "field", [{"sagittal_growth_um": 2.0, "tangential_growth_um": 3.0}, {"field_curvature_um": 8.0}]
)
def test_softness_outwards_and_a_curved_field_do_not_move_best_focus(defocus_um, field):
    """The board fills this frame: offsets were an eighth too small, twenty uncertainties, of a lens soft outwards."""
    scene = make_ramp_scene(defocus_um)
    scene = replace(scene, lens=replace(scene.lens, aberrations=replace(scene.lens.aberrations, **field)))
    found = measure_focus_offset((trace(scene, make_ramp_stand()),)).green
    true_um = -float(sharp_image_um(np.array(find_best_focus_mm(scene)["green"]), scene.pose, scene.lens))
    assert found.shift_um == pytest.approx(true_um, abs=0.02 * 17)
    assert abs(found.shift_um - true_um) < 3 * found.shift_um_u
    assert found.shift_um_u < 0.02 * 17  # what the error may be


def test_a_board_with_exchanged_ends_is_refused():
    scene = make_ramp_scene()
    turned = replace(scene, pose=replace(scene.pose, tilt_x_deg=-scene.pose.tilt_x_deg))
    with pytest.raises(Unmeasurable, match=r"wrong way round: its far end \(rows 0 to 7, with the rings\) is nearer"):
        locate_ramp(take_shot(turned, role="ramp"), make_ramp_stand())


def test_a_board_at_another_angle_is_refused():
    with pytest.raises(Unmeasurable, match=r"seen at 45\.\d degrees to the optical axis, the stand file says 38"):
        locate_ramp(take_shot(make_ramp_scene(), role="ramp"), make_ramp_stand(38.0))


def test_a_board_at_another_declared_angle_is_measured():
    found = measure_focus_offset((trace(make_ramp_scene(6.0, angle_deg=55.0), make_ramp_stand(55.0)),))
    assert found.green.shift_um == pytest.approx(6.0, abs=0.2)


def test_a_stand_without_a_ramp_is_reported():
    stand = replace(make_ramp_stand(), ramps=())
    with pytest.raises(Unmeasurable, match="the stand file names no ramp; add one under `ramps` of its camera section"):
        locate_ramp(take_shot(make_ramp_scene(), role="ramp"), stand)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("rows: 17", "rows: 16", "symmetric about its middle row, so their number is odd; found 16"),
        ("row: 6", "row: 12", "all must lie in the far half, rows 0 to 7"),
    ],
)
def test_a_print_with_exchanged_ends_is_refused(tmp_path, old, new, message):
    path = tmp_path / "ramp.yaml"
    path.write_text(PRINT.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    with pytest.raises(ConfigError, match=message):
        read_config(path, RampLayout)


def test_the_middle_row_is_the_band():
    layout = read_config(PRINT, RampLayout)
    assert layout.band_diameter_mm > layout.disc_diameter_mm
    assert np.all(np.array([mark.row for mark in layout.marks]) < layout.rows // 2)
