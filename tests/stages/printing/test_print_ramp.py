"""The printed board of the ramp: rendered by another library, inclined on the virtual stand, located by the ramp
stage."""

import numpy as np
import pytest

from glasswright.commands.main import run_command
from glasswright.config import read_config
from glasswright_camera.chart.locate_ramp import locate_ramp
from glasswright_camera.printing.advice import ramp_magnification
from glasswright_camera.stand import ChartUse, RampLayout, RampUse, Sensor, Stand
from support import CONFIGS
from support.chart_drawing import Scene, expose, make_layout
from support.printed_chart import find_blobs, look_at_print, render

RAMP = CONFIGS / "charts" / "ramp_9x17.yaml"


@pytest.fixture(scope="module")
def print_of_it(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ramp")
    assert run_command(["print", "ramp", "--layout", str(RAMP), "--paper", "A4", "--out", str(folder)]) == 0
    (pdf,) = folder.glob("*.pdf")
    layout = read_config(pdf.with_suffix(".yaml"), RampLayout)
    raster = render(pdf.read_bytes(), 300)
    return layout, raster, find_blobs(raster, 5.0)


def test_the_board_is_true_to_its_layout_file(print_of_it):
    layout, _, found = print_of_it
    assert len(found.centre) == layout.columns * layout.rows
    order = np.lexsort([found.centre[:, 0], np.round(found.centre[:, 1])])
    centre, diameter = found.centre[order], np.sqrt(4 * found.area[order] / np.pi)
    row, column = (each.ravel() for each in np.mgrid[: layout.rows, : layout.columns])
    fitted, *_ = np.linalg.lstsq(np.column_stack([np.ones(len(row)), column, row]), centre, rcond=None)
    assert fitted[1:] == pytest.approx(np.eye(2) * layout.pitch_mm, abs=4e-4 * layout.pitch_mm)
    wanted = np.where(row == layout.rows // 2, layout.band_diameter_mm, layout.disc_diameter_mm)
    assert diameter == pytest.approx(wanted, rel=4e-3)


def test_the_printed_board_is_found_inclined_with_its_far_end_far(print_of_it):
    layout, raster, found = print_of_it
    scene = Scene(
        layout=layout.as_lattice(), width=1800, height=1200, pitch_px=70, tilt_x=-45, focal_px=8333, blur_px=0.9
    )
    light = look_at_print(scene, raster, found.centre.mean(axis=0))
    stand = Stand(
        sensor=Sensor(pixel_pitch_um=6.0), charts=(ChartUse(layout=make_layout()),), ramps=(RampUse(layout=layout),)
    )
    fit = locate_ramp(expose(light, kind="mono"), stand)
    assert fit.disc_count == layout.columns * layout.rows
    assert fit.seen_angle_deg == pytest.approx(45, abs=0.05)
    assert {tuple(node) for node in fit.node[fit.is_mark].tolist()} == {(m.column, m.row) for m in layout.marks}


def test_a_ramp_is_meant_for_discs_of_one_size_on_the_sensor():
    """The board of 9 mm discs is for a magnification of 0.0225, as stated in its layout file."""
    layout = read_config(RAMP, RampLayout)
    assert ramp_magnification(layout.disc_diameter_mm) == pytest.approx(0.0225)


def test_a_ramp_without_a_middle_row_is_refused_with_file_and_line(tmp_path, capsys):
    bad = tmp_path / "bad.yaml"
    bad.write_text(RAMP.read_text(encoding="utf-8").replace("rows: 17", "rows: 16"), encoding="utf-8")
    assert run_command(["print", "ramp", "--layout", str(bad), "--out", str(tmp_path)]) == 2
    error = capsys.readouterr().err
    assert "bad.yaml:" in error
    assert "a ramp is symmetric about its middle row, so their number is odd; found 16" in error
    assert not list(tmp_path.glob("*.pdf"))
