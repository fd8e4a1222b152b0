"""The camera's drawings: places agree with the values, and values are shown as text."""

import re
from dataclasses import fields, replace
from types import ModuleType

import numpy as np
import pytest

from glasswright import Artefact
from glasswright.errors import PluginError
from glasswright.plugin.drawing import LINE_KINDS, Plot, Scale, element, escape_text, number, reach, shade, tick_step
from glasswright.plugin.plugin_drawings import read_drawings
from glasswright_camera import DRAWINGS, FRAME_DRAWINGS, SERIES_DRAWINGS
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.distortion.drawing import choose_magnification, draw_distortion, place_nodes
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.drawings import draw_traces
from glasswright_camera.edges.drawing import shrink
from glasswright_camera.edges.trace import Trace
from glasswright_camera.fringing.drawing import choose_magnification as choose_arrows
from glasswright_camera.light.drawing import draw_flat
from glasswright_camera.light.flat import FlatField
from glasswright_camera.plots import FrameView
from glasswright_camera.sharpness.drawing import choose_spots, read_field
from glasswright_camera.sharpness.drawing_focus import draw_focus
from support.chart_drawing import make_layout
from support.chart_traces import make_trace, project_discs
from support.drawings import SVG, parse, sharp_shots, tips


def test_the_entry_points_offer_the_drawings():
    assert {Distortion, FlatField} <= set(DRAWINGS)
    assert Trace in SERIES_DRAWINGS
    assert {Trace, ChartFit} < set(FRAME_DRAWINGS)


def test_a_map_lists_every_disc_and_marks_the_lowest():
    traces = sharp_shots(2)
    sagittal, tangential, *_ = draw_traces(traces)
    texts = tips(sagittal)
    assert len(texts) == len(traces[0].node)
    (column, row) = traces[0].node[0]
    value = traces[0].mtf50[1, 0]
    wanted = f"column {column}, row {row}: {value[0]:.3f} ± {2 * 0.002 / np.sqrt(2):.3f} cycles/pixel"
    assert wanted in texts
    assert f"{value[1]:.3f} ±" in tips(tangential)[0]
    rings = [each for each in parse(sagittal).iter(SVG + "circle") if each.get("class") == "ring"]
    corner = FrameView(width_px=traces[0].width_px, height_px=traces[0].height_px).place(
        traces[0].centre_px[1, [int(np.argmin(traces[0].mtf50[1, :, 0]))]]
    )[0]
    assert [(float(ring.get("cx")), float(ring.get("cy"))) for ring in rings] == [pytest.approx(corner, abs=0.06)]


def test_sharper_discs_are_shaded_higher():
    circles = [
        each
        for each in parse(draw_traces(sharp_shots())[0]).iter(SVG + "circle")
        if each.get("class", "").startswith("mark shade")
    ]
    shades = [int(each.get("class").removeprefix("mark shade")) for each in circles]
    middle = np.array([[float(each.get("cx")), float(each.get("cy"))] for each in circles])
    distance = np.hypot(*(middle - middle.mean(axis=0)).T)
    assert np.corrcoef(shades, distance)[0, 1] < -0.95
    assert min(shades) <= 2
    assert max(shades) >= 7


def test_spots_are_the_middle_and_the_four_corners():
    field = read_field(sharp_shots())
    node = {name: tuple(int(v) for v in field.node[index]) for name, index in choose_spots(field)}
    layout = make_layout()
    right, low = layout.columns - 1, layout.rows - 1
    assert node == {
        "centre": (right // 2, low // 2),
        "upper left": (0, 0),
        "upper right": (right, 0),
        "lower left": (0, low),
        "lower right": (right, low),
    }


def test_transfer_functions_cross_one_half_at_the_mtf50_they_name():
    picture = draw_traces(sharp_shots())[2]
    field = read_field(sharp_shots())
    plot = Plot.between((0.0, 0.6), (0.0, 1.05), bottom=330)
    for name, disc in choose_spots(field):
        value = field.value[disc, 0]
        assert f"{name} sagittal: MTF50 {value:.3f} ± 0.004 cycles/pixel" in tips(picture)
        dots = [each for each in parse(picture).iter(SVG + "circle") if each.get("class").startswith("fill")]
        assert any(abs(float(each.get("cx")) - plot.x(value)) < 0.06 for each in dots)
    drawn = [each for each in parse(picture).iter(SVG + "path") if each.get("class").startswith("line")]
    assert len(drawn) == 2 * len(LINE_KINDS)


def test_arrows_are_as_long_as_the_shift_times_the_magnification():
    node, centre = project_discs(make_layout(), true_size=False)
    trace = sharp_shots()[0]
    shifted = np.stack([np.add(centre, [0.4, 0.0]), centre, np.add(centre, [0.0, -0.2])])
    picture = draw_traces((replace(trace, centre_px=shifted),))[3]
    times = int(re.search(r"×(\d+)", picture.title).group(1))
    scale = FrameView(width_px=trace.width_px, height_px=trace.height_px).scale
    red = next(each for each in parse(picture).iter(SVG + "path") if each.get("class") == "line two plain")
    (x0, y0), (x1, y1) = (map(float, pair.split()) for pair in re.findall(r"[ML]([-\d.]+ [-\d.]+)", red.get("d"))[:2])
    assert (x1 - x0, y1 - y0) == pytest.approx((0.4 * scale * times, 0.0), abs=0.11)
    assert f"column {node[0, 0]}, row {node[0, 1]}: red 0.400 ± 0.028 pixel; blue 0.200 ± 0.028 pixel" in tips(picture)


@pytest.mark.parametrize("longest", [0.001, 0.02, 0.3, 2.0, 9.0])
def test_arrows_never_run_into_each_other(longest):
    assert longest * 0.1 * choose_arrows(longest, 0.1) <= 30.0


def test_a_sensor_without_colours_draws_no_fringes():
    trace = sharp_shots()[0]
    grey = make_trace(trace.node, trace.centre_px[1], planes=("white",))
    grey = replace(grey, mtf50=trace.mtf50[:1], mtf50_u=trace.mtf50_u[:1], frequency=trace.frequency, mtf=trace.mtf[:1])
    assert [picture.title for picture in draw_traces((grey,))] == [
        "MTF50 over the field, sagittal",
        "MTF50 over the field, tangential",
        "Transfer functions, centre and corners",
    ]


def test_a_focus_series_marks_best_focus_where_it_is():
    (picture,) = draw_traces(sharp_shots(7, "focus_series", step_of_best=3.3))
    named = [each.text for each in parse(picture).iter(SVG + "text") if each.text and "best focus" in each.text]
    assert len(named) == 1
    assert float(named[0].split()[2]) == pytest.approx(3.3, abs=0.01)
    assert draw_focus(sharp_shots(4, "focus_series", step_of_best=2.0)) == []


def make_distortion(k1):
    """A lattice of 13 x 9 discs, distorted by k1 and rotated by 3 degrees."""
    column, row = (each.ravel() for each in np.meshgrid(np.arange(13), np.arange(9)))
    place = (np.column_stack([column, row]) - [6.2, 3.9]) * 0.14
    height = np.hypot(*place.T)
    curve = np.linspace(0, 1, 21)
    arrays = {
        "curve_height_frac": curve,
        "curve_radial_pct": 100 * k1 * curve**2,
        "curve_radial_pct_u": np.full(21, 0.01),
        "disc_node": np.column_stack([column, row]),
        "disc_height_frac": height,
        "disc_local_pct": np.where(height > 0.15, 100 * k1 * height**2, np.nan),
        "disc_off_px": np.zeros((117, 2)),
    }
    texts = {"chart": "lattice_13x9"}
    closed = {field.name for field in fields(Artefact)}
    rest = {field.name: 0.0 for field in fields(Distortion) if field.name not in {*arrays, *texts, *closed}}
    return Distortion(**rest | arrays | texts | {"rotation_deg": 3.0, "reach_frac": 0.8}), place


def test_the_ideal_lattice_is_found_again_from_heights_alone():
    distortion, place = make_distortion(-0.03)
    turn = np.radians(3.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    assert place_nodes(distortion) == pytest.approx(place @ rotation.T, abs=1e-9)


def test_a_lattice_shows_each_discs_local_distortion_with_its_sign():
    distortion, _ = make_distortion(-0.03)
    lattice, curve = draw_distortion(distortion)
    last = f"{distortion.disc_local_pct[-1]:+.3f} % of its height {distortion.disc_height_frac[-1]:.2f}"
    assert f"column 12, row 8: {last}" in tips(lattice)
    assert "extrapolated" in curve.description
    discs = [each for each in parse(lattice).iter(SVG + "circle") if each.get("class") == "mark fill one"]
    ideal = [each for each in parse(lattice).iter(SVG + "path") if each.get("class") == "ideal"]
    ends = [float(v) for each in ideal for v in re.findall(r"[ML]([-\d.]+) ", each.get("d"))]
    assert max(float(each.get("cx")) for each in discs) < max(ends), "barrel draws the corners in"


@pytest.mark.parametrize("bend", [1e-5, 0.004, 0.03, 0.2])
def test_the_lattice_is_magnified_as_far_as_it_stays_readable(bend):
    times = choose_magnification(np.array([bend, np.nan]))
    assert times == 1 or times * bend <= 0.12


def make_flat(role="flat"):
    y, x = np.mgrid[0:64, 0:96]
    place = ((x - 47.5) ** 2 + (y - 31.5) ** 2) / (47.5**2 + 31.5**2)
    gain = np.repeat(2.0 ** (-1.2 * place)[None], 3, axis=0).astype(np.float32)
    return FlatField(
        role=role,
        width_px=1728,
        height_px=1152,
        planes=("red", "green", "blue"),
        block_px=18.0,
        gain=gain,
        gain_u=np.full_like(gain, 1e-3),
        light_level=np.full(3, 0.5, np.float32),
        shot_count=2,
    )


def test_contours_of_light_lie_where_the_light_is_lost():
    (picture,) = draw_flat(make_flat())
    root = parse(picture)
    paths = [each.get("d") for each in root.iter(SVG + "path") if each.get("class") == "line one plain"]
    levels = {each.text for each in root.iter(SVG + "text") if re.fullmatch(r"\d\.\d", each.text or "")}
    assert levels == {"0.2", "0.4", "0.6", "0.8", "1.0"}
    view = FrameView(width_px=1728, height_px=1152)
    corner_blocks = np.hypot(47.5, 31.5)
    expected = [np.sqrt(level / 1.2) * corner_blocks * 18 * view.scale for level in (0.2, 0.4)]
    middle = np.array([280.0, (14.0 + view.bottom) / 2])
    for radius in expected:
        close = [
            np.abs(np.hypot(*(np.array(re.findall(r"[-\d.]+", d), float).reshape(-1, 2) - middle).T) - radius).max()
            for d in paths
        ]
        assert min(close) < 1.5


def test_contours_a_quarter_of_a_stop_apart_are_not_rounded_to_tenths():
    flat = make_flat()
    (picture,) = draw_flat(replace(flat, gain=flat.gain**1.4))
    levels = {each.text for each in parse(picture).iter(SVG + "text") if re.fullmatch(r"\d\.\d+", each.text or "")}
    assert levels == {"0.25", "0.50", "0.75", "1.00", "1.25", "1.50"}


def test_the_drawing_of_a_panel_is_marked():
    assert draw_flat(make_flat("panel")) == []


def test_a_frame_is_made_small_by_block_means():
    values = np.full((1200, 1800), 512, np.uint16)
    values[:, 900:] = 16383
    small = shrink(values, 512.0, 16383.0)
    assert 560 <= small.shape[1] <= 960
    assert set(np.unique(small)) == {0, 255}


def test_ticks_are_round_and_few():
    for width in (0.03, 0.7, 1.0, 9.0, 1234.0):
        scale = Scale(low=-width / 3, high=2 * width / 3, start=0.0, end=100.0)
        assert 2 <= len(scale.ticks(6)) <= 6
        step = tick_step(width, 6)
        assert str(float(f"{step:e}".partition("e")[0])) in {"1.0", "2.0", "2.5", "5.0"}
        assert len({scale.write(tick) for tick in scale.ticks(6)}) == len(scale.ticks(6))


def test_numbers_shades_and_ranges():
    assert [number(value) for value in (0.0, -0.04, 1.25, 100.0, -2.0)] == ["0", "0", "1.2", "100", "-2"]
    assert [shade(value, 0.0, 1.0) for value in (-1.0, 0.0, 0.55, 1.0, 2.0)] == [f"shade{k}" for k in (0, 0, 5, 9, 9)]
    assert shade(float("nan"), 0.0, 1.0) == "unshaded"
    assert reach([float("nan")]) == (0.0, 1.0)
    low, high = reach([3.0, 3.0])
    assert low < 3.0 < high


BAD_DOORS = {
    "DRAWINGS is [1]: make it a mapping from artefact types to functions that draw them": {"DRAWINGS": [1]},
    "SERIES_DRAWINGS has the key <class 'int'>: make it a dataclass that derives from Artefact": {
        "SERIES_DRAWINGS": {int: print}
    },
    "FRAME_DRAWINGS has 'no' for Trace: make it a function that draws one": {"FRAME_DRAWINGS": {Trace: "no"}},
}


@pytest.mark.parametrize("message", BAD_DOORS)
def test_an_entry_point_without_drawings_is_refused(message):
    module = ModuleType("stranger")
    vars(module).update(BAD_DOORS[message])
    with pytest.raises(PluginError) as error:
        read_drawings(module)
    assert str(error.value) == message


def test_a_text_in_a_drawing_keeps_its_quotation_marks():
    assert escape_text("5 < 6 & \"7\" > '8'") == "5 &lt; 6 &amp; \"7\" &gt; '8'"
    assert element("text", class_='"a" & b') == '<text class="&quot;a&quot; &amp; b"/>'


def test_each_axis_has_as_many_ticks_as_asked_for_and_the_decimals_of_its_own_step():
    drawn = Plot.between((0, 1), (0, 1)).axes("across", "up", ticks=(7, 2))
    numbers = re.findall(r">([0-9.]+)<", drawn)
    assert numbers == ["0", "1", "0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert re.findall(r">([0-9.]+)<", Plot.between((0, 1), (0, 1)).axes("across", "up", ticks=(0, 2))) == ["0", "1"]
