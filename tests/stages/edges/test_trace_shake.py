"""Camera shake and coma of the lens are distinguished on rehearsed frames."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.edges.trace_edges import trace_edges
from glasswright_rehearsal import Lens
from glasswright_rehearsal.scene.lens import Aberrations
from support.rehearsed_shots import make_lattice_scene, stand_for, take_shot


def trace(coma=0.0, motion=(0.0, 0.0), direction=40.0, f_number=2.0, gradient=0.0):
    aberrations = Aberrations(blur_um=1.5, coma_waves=coma, decentre_deg=direction, decentre_gradient=gradient)
    scene = make_lattice_scene(lens=Lens(f_number=f_number, aberrations=aberrations))
    scene = replace(scene, motion_px=motion)
    mosaic, stand = take_shot(scene), stand_for(scene)
    return trace_edges(mosaic, locate_chart(mosaic, stand), stand, None, None)


def common(trace):
    return np.nanmedian(trace.asymmetry.mean(axis=0), axis=0)


@pytest.mark.parametrize("coma", [0.0, 0.1])
def test_a_shaken_frame_is_refused_and_its_direction_named(coma):
    with pytest.raises(Unmeasurable, match=r"all discs are blurred 2\.\d\d times wider along 1(19|20) degrees") as e:
        trace(coma, motion=(-1.25, 2.17))
    assert "the stand or the camera moved; shoot again" in str(e.value)


def test_a_decentred_element_is_not_taken_for_camera_shake():
    found = common(trace(1.2, gradient=0.6))
    # measured: 0.5 along 40 degrees; a movement has under 0.005
    assert np.hypot(*found) > 0.3
    assert np.degrees(np.arctan2(found[1], found[0])) == pytest.approx(40, abs=3)


def test_strong_coma_is_not_taken_for_camera_shake():
    found = trace(4.0)
    stretch = np.nanmedian(found.blur_direction.mean(axis=0), axis=0)
    assert np.hypot(*stretch) > 0.25  # the widths' ratio is over 1.25
    assert np.hypot(*common(found)) > 0.5


def test_a_turned_coma_turns():
    one, other = common(trace(1.2, direction=40.0)), common(trace(1.2, direction=220.0))
    assert np.abs(one + other).max() < 0.02
