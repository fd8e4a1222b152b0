"""Best focus at several f-numbers and focal lengths with the focus locked."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright import Unmeasurable
from glasswright_camera.diagnosis.rules import SHIFT, ZOOMED, apply_rules
from glasswright_camera.diagnosis.signs import read_signs
from glasswright_camera.focus.drawing_locked import draw_focus_shift
from glasswright_camera.focus.locked import CRITERION, measure_focus_shift, measure_locked_change
from glasswright_camera.focus.reading import find_focus, read_setting
from glasswright_rehearsal.frames.ramp import draw_locked_scene, find_best_focus_mm, fit_board
from glasswright_rehearsal.night.stand_files import read_stand
from glasswright_rehearsal.optics.depth import sharp_image_um
from glasswright_rehearsal.scene.geometry import Frame
from support import ROOT
from support.ramp_shots import make_ramp_scene, make_ramp_trace


def shoot(best_um, f_number=2.0, focal_length_mm=50.0, **kinds):
    """A trace with best focus at `best_um`."""
    name = f"ramp_locked/{focal_length_mm:g}_{f_number:g}"
    return make_ramp_trace(best_um, f_number=f_number, focal_length_mm=focal_length_mm, shot=name, **kinds)


def test_the_shift_is_against_the_lowest_f_number_and_the_farthest_counts():
    found = measure_focus_shift((shoot(3.0, 4.0), shoot(-5.0, 2.0), shoot(9.0, 8.0)))
    assert found.focus_shift_um == pytest.approx(14.0, abs=0.01)
    assert found.shift_where == "50 mm f/8"
    assert found.f_number.tolist() == [2.0, 4.0, 8.0]
    assert found.shift_um == pytest.approx([-5, 3, 9], abs=0.01)
    assert np.isnan(found.parfocal_um)
    # blur is 8 + 0.03 t^2: at the focus of f/2, 14 um away
    assert found.kept_sharpness_frac == pytest.approx(np.sqrt(8 / (8 + 0.03 * 14**2)), abs=0.01)


def test_a_zoom_is_compared_with_its_longest_focal_length_at_the_lowest_f_numbers():
    shots = (shoot(2.0, 4.0, 70.0), shoot(-18.0, 4.0, 24.0), shoot(-3.0, 4.0, 50.0), shoot(-18.0, 8.0, 24.0))
    found = measure_focus_shift(shots)
    assert found.parfocal_um == pytest.approx(-20.0, abs=0.2)
    assert found.parfocal_where == "24 mm f/4"
    assert found.focus_shift_um == pytest.approx(0.0, abs=0.01)


def test_each_setting_of_a_zoom_is_compared_with_its_own_reference():
    shots = (shoot(2.0, 4.0, 70.0), shoot(-18.0, 4.0, 24.0), shoot(-3.0, 4.0, 50.0), shoot(-10.0, 8.0, 24.0))
    whole = measure_focus_shift(shots)
    longest, shortest, middle, stopped = (measure_locked_change((shot,), whole) for shot in shots)
    assert (longest.parfocal_um, longest.focus_shift_um, longest.kept_sharpness_frac) == (0.0, 0.0, 1.0)
    assert min(longest.parfocal_um_u, longest.focus_shift_um_u) > 0
    assert shortest.parfocal_um == pytest.approx(-20.0, abs=0.2)
    assert middle.parfocal_um == pytest.approx(-5.0, abs=0.1)
    assert shortest.focus_shift_um == 0.0
    assert stopped.focus_shift_um == pytest.approx(8.0, abs=0.1)
    # blur is 8 + 0.03 t^2
    assert stopped.kept_sharpness_frac == pytest.approx(np.sqrt(8 / (8 + 0.03 * 8**2)), abs=0.01)
    assert np.isnan(stopped.parfocal_um)


def test_changes_at_each_setting_and_the_largest_agree_with_their_u():
    shots = tuple(shoot(best, f, noise=0.01, seed=n) for n, (best, f) in enumerate([(0.0, 2.0), (14.0, 4.0)]))
    whole = measure_focus_shift(shots)
    change = measure_locked_change(shots[1:], whole)
    assert change.focus_shift_um == whole.focus_shift_um
    assert change.focus_shift_um_u == whole.focus_shift_um_u
    assert change.kept_sharpness_frac == whole.kept_sharpness_frac
    assert change.kept_sharpness_frac_u == whole.kept_sharpness_frac_u


def test_a_smooth_curve_of_two_lines_is_drawn_with_its_numbers():
    (picture,) = draw_focus_shift(measure_focus_shift((shoot(0.0), shoot(12.0, 4.0))))
    assert "On stopping down it moves by +12.0" in picture.description
    assert "undercorrected" in picture.description
    assert "f/4" in picture.svg
    (reverse,) = draw_focus_shift(measure_focus_shift((shoot(0.0), shoot(-12.0, 4.0))))
    assert "overcorrected" in reverse.description


def test_the_stated_u_covers_the_scatter():
    errors, stated = [], []
    for seed in range(80):
        found = measure_focus_shift(
            (shoot(-4.0, noise=0.01, seed=2 * seed), shoot(6.0, 4.0, noise=0.01, seed=2 * seed + 1))
        )
        errors.append(found.focus_shift_um - 10)
        stated.append(found.focus_shift_um_u)
    assert 0.8 < np.std(errors) / np.sqrt(np.mean(np.square(stated))) < 1.25
    assert np.mean(np.abs(errors) < 1.96 * np.array(stated)) > 0.88


def test_a_lens_that_is_softer_outwards_does_not_draw_focus_to_the_middle():
    def soften(trace, growth):
        x, y = (trace.node[:, 0] - 4) * 16.0, trace.along_mm * np.sin(np.radians(45.0))
        blur = trace.mtf50**-2 + growth * (x**2 + y**2)[None, :, None]
        return replace(trace, mtf50=blur**-0.5)

    growth = 4e-4  # with a curve of 0.03 px^2/um^2 the vertex of the sum lies a twentieth nearer to the middle
    steps = (shoot(-20.0, noise=1e-3, seed=1), shoot(20.0, 4.0, noise=1e-3, seed=2))
    found = measure_focus_shift(tuple(soften(step, growth) for step in steps))
    assert found.focus_shift_um == pytest.approx(40.0, abs=3 * found.focus_shift_um_u)
    assert found.focus_shift_um_u < 0.4
    soft = soften(steps[0], growth)
    focus = find_focus(soft, 1, read_setting(soft))
    assert focus.shift_um == pytest.approx(-20.0, abs=3 * focus.shift_um_u)
    assert focus.field.growth == pytest.approx(growth, abs=4 * focus.field.growth_u)
    assert focus.field.curvature == pytest.approx(0.0, abs=4 * focus.field.curvature_u)


def test_one_setting_is_refused_and_a_shot_off_the_scale_is_named():
    with pytest.raises(Unmeasurable, match="of one setting: shoot the board at two f-numbers or focal lengths without"):
        measure_focus_shift((shoot(0.0), shoot(1.0)))
    with pytest.raises(Unmeasurable, match=r"ramp_locked/50_4: best focus in green lies outside the ramp's scale"):
        measure_focus_shift((shoot(0.0), shoot(150.0, 4.0)))


@pytest.mark.parametrize(
    ("shots", "fault"),
    [((shoot(0.0), shoot(22.0, 4.0)), SHIFT), ((shoot(0.0, 4.0, 70.0), shoot(30.0, 4.0, 24.0)), ZOOMED)],
)
def test_a_shift_is_named_by_the_diagnosis(shots, fault):
    findings, free = apply_rules(read_signs({"measure_focus_shift": (measure_focus_shift(shots),)}, None))
    assert [finding.name for finding in findings] == [fault]
    assert free == ()


def test_a_rehearsed_board_is_focused_where_the_lens_is():
    """Without rendering: the true focus of a zoom's scenes, from one place of the board."""
    stand = read_stand(ROOT / "configs/stands/north_bench.yaml")
    scene = replace(make_ramp_scene(f_number=4.0), frame=Frame(width_px=3000, height_px=2000, pitch_um=6.0))
    distances = []
    for focal in (24.0, 70.0):
        at = replace(scene, lens=replace(scene.lens, focal_length_mm=focal))
        m = fit_board(at, stand, 70.0)
        distances.append(focal * (1 + 1 / m))
        board = draw_locked_scene(at, stand, m, 2.0, 9.0)
        best = find_best_focus_mm(board)["green"]
        assert -float(sharp_image_um(np.array(best), board.pose, board.lens)) == pytest.approx(11.0, abs=0.1)
    assert distances[0] == pytest.approx(distances[1])


def test_the_shift_of_a_known_spherical_aberration_gives_it_back():
    # third-order theory: best focus lies 8 N^2 W040 times the criterion from the paraxial focus, nearer to the lens
    # for marginal rays that are focused short; W040 falls with the fourth power of the aperture
    def place(number, w040_um=0.4):
        return -8 * number**2 * CRITERION * w040_um * (2 / number) ** 4

    found = measure_focus_shift(tuple(shoot(place(number), number) for number in (2.0, 2.8, 4.0)))
    assert found.spherical_um == pytest.approx(0.4, rel=0.01)
