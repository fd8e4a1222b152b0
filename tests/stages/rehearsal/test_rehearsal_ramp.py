"""Rehearsed shots of the inclined board: their true values, and the files of the command."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from glasswright_rehearsal.command import rehearse
from glasswright_rehearsal.faults.kinds import Fault
from glasswright_rehearsal.frames.ramp import draw_ramp_scenes, find_best_focus_mm, place_board
from glasswright_rehearsal.frames.render import find_disc_blurs, find_edges
from glasswright_rehearsal.night.stand_files import read_stand
from glasswright_rehearsal.optics.depth import find_depth_mm, sharp_image_um
from support import ROOT
from support.ramp_shots import make_ramp_scene

STAND = ROOT / "configs/stands/north_bench.yaml"


def test_the_far_end_is_up_and_as_deep_as_the_angle_says():
    # 100 mm along a board at 60 degrees to the axis are 50 mm deep (closed form)
    points = np.array([[0.0, -100.0], [0.0, 100.0], [40.0, 0.0]])
    assert find_depth_mm(points, place_board(0.02, 60.0)) == pytest.approx([50.0, -50.0, 0.0], abs=1e-9)


def test_what_is_farther_is_sharp_before_the_sensor_by_the_thin_lens():
    # 1/f = 1/s + 1/s', f = 50 mm, m = 0.0225, so s = f (1 + 1/m)
    scene = make_ramp_scene()
    near = 50.0 * (1 + 1 / 0.0225)
    image = [1 / (1 / 50.0 - 1 / (near + z)) for z in (0.0, 80.0)]
    assert sharp_image_um(np.array(80.0), scene.pose, scene.lens) == pytest.approx(1000 * (image[1] - image[0]))


@pytest.mark.parametrize("defocus_um", [-12.0, 0.0, 8.0])
def test_the_true_focus_is_where_the_defocus_is_zero(defocus_um):
    scene = make_ramp_scene(defocus_um)
    best = find_best_focus_mm(scene)
    for plane, own_um in (("red", 1.5), ("green", 0.0), ("blue", -2.0)):
        shift = -float(sharp_image_um(np.array(best[plane]), scene.pose, scene.lens))
        assert shift == pytest.approx(defocus_um + own_um, abs=0.03)


def test_defocus_differs_from_row_to_row_and_within_a_disc():
    scene = make_ramp_scene()
    circles, edges = find_edges(scene)
    blur = find_disc_blurs(scene, edges)[1]
    top, bottom = circles.node[:, 1] == 0, circles.node[:, 1] == 16
    # W20 = dz / (8 N^2); the far row is sharp before the sensor
    assert blur.waves[top].max() < -2 < 2 < blur.waves[bottom].min()
    assert np.all(blur.side_waves[:, 1] > 0)
    assert np.abs(blur.side_waves[:, 0]).max() < 0.1 * blur.side_waves[:, 1].max()


def test_autofocus_that_is_off_moves_every_shot_to_its_side():
    stand, generator = read_stand(STAND), np.random.default_rng(1)
    fault = Fault(name="autofocus_offset", severity=1.0, direction_deg=170.0)
    shots = draw_ramp_scenes(make_ramp_scene(), stand, (fault,), 8, generator)
    offsets = [find_best_focus_mm(shot)["green"] for shot in shots]
    assert max(offsets) < -15
    healthy = draw_ramp_scenes(make_ramp_scene(), stand, (), 8, generator)
    assert max(abs(find_best_focus_mm(shot)["green"]) for shot in healthy) < 10


def test_a_stand_without_a_ramp_is_reported():
    stand = replace(read_stand(STAND), ramp=None)
    with pytest.raises(ValueError, match="a stand whose camera section names a ramp under `ramps`"):
        draw_ramp_scenes(make_ramp_scene(), stand, (), 1, np.random.default_rng(1))


def test_the_command_writes_ramp_shots_wide_open_with_their_truth(tmp_path):
    words = ["--tickets", "1", "--megapixels", "0.2", "--workers", "1", "--f-number", "2", "--f-number", "4"]
    words += ["--ramp-shots", "2", "--fault", "autofocus_offset", "--stand", str(STAND)]
    result = CliRunner().invoke(rehearse, [str(tmp_path), *words])
    assert result.exit_code == 0, result.output
    names = sorted(path.name for path in (tmp_path / "tickets/T-0001/ramp").iterdir())
    assert len(names) == 2
    assert all(name.endswith("f2.dng") for name in names)
    truth = json.loads((tmp_path / "truth/T-0001.json").read_text())
    assert truth["faults"][0]["of"] == "lens"
    assert [len(setting.get("ramp", {"shots": ()})["shots"]) for setting in truth["settings"]] == [2, 0]
    assert read_stand(tmp_path / "stands/north_bench.yaml").ramp == read_stand(STAND).ramp
