"""Printed charts: rendered from the PDF by another library, measured in pixels, and put on the stand."""

import dataclasses
import math
from functools import cache
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from scipy import ndimage
from scipy.optimize import brentq

from glasswright.commands.main import run_command
from glasswright.config import read_config
from glasswright.plugin.paper import PaperError
from glasswright_camera import locate_chart, measure_distortion, measure_mtf50, trace_edges
from glasswright_camera.printing.advice import find_edge_need
from glasswright_camera.printing.chart import draw_chart
from glasswright_camera.printing.layout import find_scale
from glasswright_camera.printing.paper import SIZES_MM, choose_paper, cut_picture
from glasswright_camera.printing.picture import fit_pitch, make_picture, scale_layout
from glasswright_camera.stand import ChartLayout, EdgeFeature
from support import CONFIGS
from support.chart_drawing import Scene, draw_finely, draw_light, expose, make_layout, make_stand
from support.printed_chart import Raster, find_blobs, look_at_print, render

CHART = CONFIGS / "charts" / "lattice_13x9.yaml"
LAYOUT = read_config(CHART, ChartLayout)
DPI = 600


@cache
def printed(*options):
    """Run the command once; return the PDF, the layout of its file, and the terminal output."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        assert run_command(["print", "chart", "--layout", str(CHART), "--out", folder, *options]) == 0
        (pdf,) = Path(folder).glob("*.pdf")
        layout = read_config(pdf.with_suffix(".yaml"), ChartLayout)
        assert layout.name == pdf.stem
        return pdf.read_bytes(), layout


@cache
def rendered():
    return render(printed("--paper", "A4")[0], DPI)


@cache
def blobs():
    found = find_blobs(rendered(), 3.0)
    order = np.lexsort([found.centre[:, 0], np.round(found.centre[:, 1])])
    return dataclasses.replace(found, centre=found.centre[order], area=found.area[order])


def test_the_printed_lattice_is_true_to_its_layout_file():
    layout, found = printed("--paper", "A4")[1], blobs()
    assert len(found.centre) == layout.columns * layout.rows
    row, column = (each.ravel() for each in np.mgrid[: layout.rows, : layout.columns])
    design = np.column_stack([np.ones(len(row)), column, row])
    fitted, *_ = np.linalg.lstsq(design, found.centre, rcond=None)
    assert fitted[1] == pytest.approx([layout.pitch_mm, 0], abs=2e-5 * layout.pitch_mm)
    assert fitted[2] == pytest.approx([0, layout.pitch_mm], abs=2e-5 * layout.pitch_mm)
    # a pixel of 600 dpi is 0.042 mm; the centroid of a disc of 177 pixels is good to a small part of it
    assert np.abs(found.centre - design @ fitted).max() < 0.001
    diameter = np.sqrt(4 * found.area / math.pi)
    assert diameter == pytest.approx(np.full(len(diameter), layout.disc_diameter_mm), rel=1e-3)


def test_the_rings_are_where_the_layout_file_has_them():
    layout, found = printed("--paper", "A4")[1], blobs()
    place = np.round(found.centre * rendered().px_per_mm - 0.5).astype(int)
    is_light = rendered().light[place[:, 1], place[:, 0]] > 0.5
    assert {divmod(int(k), layout.columns)[::-1] for k in np.flatnonzero(is_light)} == {
        (mark.column, mark.row) for mark in layout.marks
    }


@pytest.mark.parametrize("axis", [0, 1], ids=["across", "down"])
def test_the_check_bars_have_their_printed_length(axis):
    light = rendered().light if axis == 0 else rendered().light.T
    lengths = []
    for line in light[: int(30 * DPI / 25.4)]:
        label, _ = ndimage.label(line < 0.5)
        lengths += [float(run) * 25.4 / DPI for run in np.bincount(label)[1:] if run * 25.4 / DPI > 60]
    # the end ticks are 0.12 mm thick, and half of it lies beyond each end; a pixel of 600 dpi is 0.042 mm
    metric, inches = ([each for each in lengths if (each < 100.8) == short] for short in (True, False))
    assert metric == pytest.approx([100.06] * len(metric), abs=0.09)
    assert inches == pytest.approx([101.66] * len(inches), abs=0.09)
    assert metric
    assert inches


def hang(scene, light):
    mosaic = expose(light, kind="mono")
    stand = make_stand(scene.layout)
    fit = locate_chart(mosaic, stand)
    trace = trace_edges(mosaic, fit, stand, None, None)
    return fit, measure_distortion((trace,), stand), measure_mtf50((trace,), stand)


def test_the_print_is_located_and_measured_like_its_chart():
    layout = printed("--paper", "A4")[1]
    scene = Scene(layout=layout, pitch_px=105.0, k1=-0.012, rotation=0.6, blur_px=0.9)
    middle = blobs().centre.mean(axis=0)
    fit, bent, sharp = hang(scene, draw_finely(scene, lambda each: look_at_print(each, rendered(), middle, points=2)))
    # the picture of the print adds its own pixel to the blur: its width (q^2 / 12) and the slope between two (q^2 / 6)
    q = scene.pitch_px / layout.pitch_mm / rendered().px_per_mm[0]
    twin = dataclasses.replace(scene, blur_px=math.sqrt(scene.blur_px**2 + q**2 / 4))
    drawn_fit, drawn_bent, drawn_sharp = hang(twin, draw_finely(twin, draw_light))
    assert fit.chart == layout.name
    assert fit.disc_count == layout.columns * layout.rows
    assert {tuple(node) for node in fit.node[fit.is_mark].tolist()} == {(m.column, m.row) for m in layout.marks}
    # the stand turned the chart by 0.6 degrees, so a chart taken for its mirror image or turned would show
    assert fit.rotation_deg == pytest.approx(0.6, abs=0.02)
    assert fit.magnification_frac == pytest.approx(drawn_fit.magnification_frac, rel=1e-3)
    assert fit.magnification_frac == pytest.approx(105.0 * 0.006 / layout.pitch_mm, rel=2e-3)
    assert bent.picture_height_worst_pct == pytest.approx(drawn_bent.picture_height_worst_pct, abs=0.01)
    assert bent.local_worst_pct == pytest.approx(drawn_bent.local_worst_pct, abs=0.02)
    # the pixel's aperture times a Gaussian
    blur_px = math.pi * twin.blur_px
    truth = brentq(lambda f: np.sinc(f) * math.exp(-2 * (blur_px * f) ** 2) - 0.5, 0.01, 0.5)
    for read in ("centre", "mid"):
        one, other = (getattr(each.green, read) for each in (sharp, drawn_sharp))
        assert one.mean_cy_per_px == pytest.approx(other.mean_cy_per_px, rel=0.005)
        assert one.mean_cy_per_px == pytest.approx(truth, rel=0.005)


@pytest.mark.parametrize("orientation", ["landscape", "portrait"])
@pytest.mark.parametrize("paper", SIZES_MM)
def test_a_sheet_of_any_size_holds_a_chart_of_that_size(paper, orientation):
    data, layout = printed("--paper", paper, "--orientation", orientation)
    (page,) = pypdfium2.PdfDocument(data)
    wide, high = sorted(SIZES_MM[paper], reverse=orientation == "landscape")
    assert np.array(page.get_size()) * 25.4 / 72 == pytest.approx([wide, high], abs=0.01)
    found = find_blobs(render(data, 60), 0.25 * layout.disc_diameter_mm)
    assert len(found.centre) == 117
    assert (found.centre - layout.pitch_mm * 0.6).min() > 0
    assert (np.array([wide, high]) - layout.pitch_mm * 0.6 - found.centre).min() > 0


def put_together(data, layout, dpi):
    """Join the sheets by the places of their tiles, like sheets cut and glued."""
    tiling = draw_chart(layout, choose_paper("A4", "auto", is_wide=True), (), tiled=True)[1]
    scale = dpi / 25.4
    width = max(tile.left_mm + tile.width_mm for tile in tiling.tiles)
    height = max(tile.top_mm + tile.height_mm for tile in tiling.tiles)
    whole = np.ones((math.ceil(height * scale) + 2, math.ceil(width * scale) + 2), np.float32)
    for page, tile in enumerate(tiling.tiles):
        sheet = render(data, dpi, page)
        corner = (np.array(sheet.light.shape[::-1]) / sheet.px_per_mm - [tile.width_mm, tile.height_mm]) / 2
        left, top = (math.ceil(each * scale) for each in (tile.left_mm, tile.top_mm))
        right, low = (math.floor(each * scale) for each in (tile.left_mm + tile.width_mm, tile.top_mm + tile.height_mm))
        # to a part of a pixel, so that what is glued is as true as what was printed
        y, x = np.mgrid[top:low, left:right] + 0.5
        across = (x / scale - tile.left_mm + corner[0]) * sheet.px_per_mm[0] - 0.5
        down = (y / scale - tile.top_mm + corner[1]) * sheet.px_per_mm[1] - 0.5
        whole[top:low, left:right] = ndimage.map_coordinates(sheet.light, [down, across], order=1)
    return Raster(light=whole, px_per_mm=np.array([scale, scale]))


def test_sheets_that_are_put_together_are_located_and_measured_crosses_and_all():
    data, layout = printed("--paper", "A4", "--tiled", "--pitch-mm", "30")
    assert len(pypdfium2.PdfDocument(data)) == 4
    whole = put_together(data, layout, 300)
    found = find_blobs(whole, 5.0)
    assert len(found.centre) == 117
    steps = (found.centre - found.centre.min(axis=0)) / layout.pitch_mm
    assert np.abs(steps - np.round(steps)).max() < 2e-4
    scene = Scene(layout=layout, pitch_px=105.0, blur_px=0.9)
    fit, bent, _ = hang(scene, look_at_print(scene, whole, found.centre.mean(axis=0)))
    _, drawn_bent, _ = hang(scene, draw_light(scene))
    assert fit.disc_count == 117
    assert bent.picture_height_worst_pct == pytest.approx(drawn_bent.picture_height_worst_pct, abs=0.005)
    assert bent.local_worst_pct == pytest.approx(drawn_bent.local_worst_pct, abs=0.005)
    assert bent.residual_rms_px < 0.003


def test_neighbouring_sheets_show_the_same_where_they_overlap():
    data, layout = printed("--paper", "A4", "--tiled", "--pitch-mm", "30")
    left, right = render(data, 200, 0).light, render(data, 200, 1).light
    tiling = draw_chart(layout, choose_paper("A4", "auto", is_wide=True), (), tiled=True)[1]
    first, second = tiling.tiles[:2]
    paper_mm, scale = np.array([297.0, 210.0]), 200 / 25.4

    def strip(light, tile):
        corner = (paper_mm - [tile.width_mm, tile.height_mm]) / 2
        start = (corner[0] + second.left_mm - tile.left_mm) * scale
        top = corner[1] * scale
        return light[round(top) : round(top + tile.height_mm * scale), round(start) : round(start + 15 * scale)]

    one, two = strip(left, first), strip(right, second)
    # two crosses or more in the overlap, each a line of 8 mm, in the same pixels but for rounding by one
    assert (one < 0.6).sum() > 2 * 8 * scale
    both = np.minimum(np.roll(two, 1, axis=1), np.minimum(two, np.roll(two, -1, axis=1)))
    assert (both[one < 0.6] < 0.8).mean() > 0.95


def test_no_seam_cuts_a_disc_and_every_sheet_fits_the_printer():
    for name in ("A4", "A3", "A2", "A0"):
        for orientation in ("landscape", "portrait"):
            paper = choose_paper(name, orientation, is_wide=True)
            picture = make_picture(scale_layout(LAYOUT, 100.0, "x"))
            tiling = cut_picture((picture.width_mm, picture.height_mm), *picture.gaps(), paper)
            for tile in tiling.tiles:
                assert tile.width_mm <= paper.usable_mm[0] + 1e-6
                assert tile.height_mm <= paper.usable_mm[1] + 1e-6
            first = 14 + 0.7 * 100
            for seam in (*tiling.seams_x_mm, *tiling.seams_y_mm):
                assert (seam - first) / 100 % 1 == pytest.approx(0.5)


def test_paper_that_is_too_small_is_refused_with_a_valid_size():
    with pytest.raises(PaperError, match="A4 is too small: a sheet of 210 x 297 mm does not reach from one gap"):
        cut_picture((3000.0, 3000.0), [500.0, 1000.0], [500.0, 1000.0], choose_paper("A4", "portrait", is_wide=True))
    message = "with its strips, and A4 holds 285 x 198 mm: use --tiled, larger paper, or leave --pitch-mm out"
    with pytest.raises(PaperError, match=message):
        draw_chart(LAYOUT, choose_paper("A4", "landscape", is_wide=True), (), tiled=False)
    small = scale_layout(LAYOUT, 9.0, "x")
    with pytest.raises(PaperError, match="too small for check bars of 100 mm: choose a pitch above 9 mm"):
        draw_chart(small, choose_paper("A4", "landscape", is_wide=True), (), tiled=False)


def test_the_pitch_fills_the_sheet_and_no_more():
    paper = choose_paper("A3", "landscape", is_wide=True)
    pitch = fit_pitch(LAYOUT, paper)
    draw_chart(scale_layout(LAYOUT, pitch, "x"), paper, (), tiled=False)
    with pytest.raises(PaperError):
        draw_chart(scale_layout(LAYOUT, pitch + 0.1, "x"), paper, (), tiled=False)


def test_the_finest_edge_is_the_one_that_costs_a_hundredth_of_the_transfer():
    need = find_edge_need(0.0225, 6.0)
    # the transfer of a Gaussian of standard deviation s is exp(-2 pi^2 s^2 f^2): its own Fourier transform
    spread_px = need.roughness_um * 0.0225 / 6.0
    x = np.linspace(-1, 1, 20001)
    gauss = np.exp(-(x**2) / (2 * spread_px**2))
    transfer = (gauss * np.cos(2 * np.pi * 0.25 * x)).sum() / gauss.sum()
    assert transfer == pytest.approx(0.99, abs=1e-6)
    # the standard deviation of an even spread over a dot of width d is d / sqrt(12), and d = 25.4 mm / dpi
    assert 25_400 / need.dots_per_inch / math.sqrt(12) <= need.roughness_um
    assert 25_400 / (need.dots_per_inch - 10) / math.sqrt(12) > need.roughness_um
    assert find_edge_need(0.045, 6.0).roughness_um == pytest.approx(need.roughness_um / 2)
    assert find_edge_need(0.0225, 3.0).roughness_um == pytest.approx(need.roughness_um / 2)


def test_the_measured_bars_go_into_the_layout_file():
    assert find_scale(99.9, 99.9) == pytest.approx(0.999)
    assert find_scale(100.05, 99.95) == pytest.approx(1.0)
    with pytest.raises(PaperError, match=r"stretched: its bars measure 100 mm across and 99.7 mm down, 0.30% apart"):
        find_scale(100.0, 99.7)
    with pytest.raises(PaperError, match="a bar of 100 mm down cannot measure 93 mm unless it was printed at another"):
        find_scale(100.0, 93.0)


def area_of(corners):
    x, y = np.array(corners).T
    return abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2


def test_large_marks_and_slanted_edges_are_printed_where_the_layout_has_them():
    corners = ((-22.0, -12.0), (-12.0, -20.0), (-8.0, -12.0))
    layout = dataclasses.replace(
        make_layout(columns=5, rows=5, kind="large", pitch=40.0, disc=12.0),
        edges=(EdgeFeature(name="wedge", corners_mm=corners, clear_mm=2.0),),
    )
    raster = render(draw_chart(layout, choose_paper("A3", "auto", is_wide=True), (), tiled=False)[0], 200)
    found = find_blobs(raster, 5.0)
    middle = np.sort(found.centre, axis=0)[12]
    node = np.round((found.centre - middle) / layout.pitch_mm) + 2
    large = {(int(column), int(row)) for (column, row), area in zip(node, found.area, strict=True) if area > 150}
    assert large == {(mark.column, mark.row) for mark in layout.marks}
    # the wedge is the one dark thing near its own middle, and as large as its corners say
    label, _ = ndimage.label(raster.light < 0.5)
    x, y = np.round((middle + np.mean(corners, axis=0)) * raster.px_per_mm).astype(int)
    wedge = label == label[y, x]
    assert label[y, x] > 0
    ink = np.where(ndimage.binary_dilation(wedge, iterations=2), 1 - raster.light, 0)
    assert ink.sum() / raster.px_per_mm.prod() == pytest.approx(area_of(corners), rel=0.01)
    at = (np.array(ndimage.center_of_mass(ink))[::-1] + 0.5) / raster.px_per_mm - middle
    assert at == pytest.approx(np.mean(corners, axis=0), abs=0.1)


def test_a_slanted_edge_is_scaled_with_the_chart_and_no_seam_cuts_it():
    figure = EdgeFeature(name="wedge", corners_mm=((-30.0, -5.0), (30.0, -10.0), (25.0, 9.0)), clear_mm=6.0)
    layout = scale_layout(dataclasses.replace(LAYOUT, edges=(figure,)), 60.0, "half")
    assert layout.edges[0].corners_mm == ((-15.0, -2.5), (15.0, -5.0), (12.5, 4.5))
    assert layout.edges[0].clear_mm == 3.0
    picture = make_picture(layout)
    across, down = picture.gaps()
    x, y = picture.place(6, 4)
    assert [each for each in across if x - 18 < each < x + 18] == []
    assert [each for each in down if y - 8 < each < y + 7.5] == []
    plain = make_picture(dataclasses.replace(layout, edges=()))
    assert set(across) <= set(plain.gaps()[0])


def run(tmp_path, capsys, *options):
    capsys.readouterr()
    code = run_command(["print", "chart", "--layout", str(CHART), "--out", str(tmp_path), *options])
    captured = capsys.readouterr()
    return code, captured.out + captured.err


def test_measured_bars_write_the_same_file_however_often(tmp_path, capsys):
    for _ in range(2):
        assert run(tmp_path, capsys, "--paper", "A3", "--measured", "99.9", "99.9")[0] == 0
        layout = read_config(tmp_path / "lattice_13x9_a3.yaml", ChartLayout)
        plain = printed("--paper", "A3")[1]
        assert layout.pitch_mm == pytest.approx(0.999 * plain.pitch_mm, abs=1e-4)
        assert layout.disc_diameter_mm == pytest.approx(0.999 * plain.disc_diameter_mm, abs=1e-4)
        assert layout.name == plain.name
    assert not list(tmp_path.glob("*.pdf"))


def test_the_advice_is_printed_and_written_and_the_same_size_keeps_the_name(tmp_path, capsys):
    code, out = run(tmp_path, capsys, "--paper", "A3", "--tiled", "--magnification", "0.0225")
    assert code == 0
    assert "Print at 100 % (`actual size`): no `fit to page`" in out
    assert "a disc's edge may deviate by 24 µm (standard deviation): a printer of 310 dots per inch or finer" in out
    assert "- 25 sheets: cut along the seam" in out
    written = (tmp_path / "lattice_13x9.yaml").read_text(encoding="utf-8")
    assert "310 dots per inch" in written
    again = read_config(tmp_path / "lattice_13x9.yaml", ChartLayout)
    # the uncertainty of another print's contrast does not apply to this one
    assert again.contrast_u_frac == 0.1
    assert dataclasses.replace(again, contrast_u_frac=LAYOUT.contrast_u_frac) == LAYOUT


def test_the_same_print_has_the_same_bytes():
    paper = choose_paper("A4", "auto", is_wide=True)
    layout = scale_layout(LAYOUT, 18.0, "x")
    one, two = (draw_chart(layout, paper, ("words",), tiled=False)[0] for _ in range(2))
    assert one == two


def test_a_layout_file_with_mistakes_is_refused_with_file_and_line(tmp_path, capsys):
    bad = tmp_path / "bad.yaml"
    bad.write_text(CHART.read_text(encoding="utf-8").replace("columns: 13", "colums: 13"), encoding="utf-8")
    code, out = run(tmp_path, capsys, "--layout", str(bad))
    assert code == 2
    assert "bad.yaml:" in out
    assert "colums" in out
