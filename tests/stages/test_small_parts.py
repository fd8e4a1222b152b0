"""Small parts of the measuring stages, each against numbers that can be worked out by hand."""

from dataclasses import MISSING, fields

import numpy as np
import pypdfium2
import pytest
import tifffile

from glasswright.config import read_config
from glasswright_camera.cells import fill_lone
from glasswright_camera.distortion.numbers import Numbers, _unwrap, choose_worst
from glasswright_camera.edges.drawing import read_small
from glasswright_camera.edges.kernel.ring import edge_distance
from glasswright_camera.edges.trace import Trace
from glasswright_camera.focus.fit import Vertex
from glasswright_camera.light.levels import LEVEL_CHANGE, find_level_change, note_flicker
from glasswright_camera.printing.chart import draw_chart
from glasswright_camera.printing.paper import choose_paper
from glasswright_camera.printing.picture import FOOT_MM, fit_pitch, scale_layout
from glasswright_camera.stand import ChartLayout
from glasswright_rehearsal.history.truth import _find_shape
from glasswright_rehearsal.scene.geometry import Frame
from glasswright_rehearsal.scene.lens import Falloff
from glasswright_rehearsal.scene.light import mean_gain_box
from support import CONFIGS


def test_the_lines_at_the_foot_of_a_chart_are_on_the_sheet_one_below_the_other():
    paper = choose_paper("A4", "landscape", is_wide=True)
    layout = read_config(CONFIGS / "charts" / "lattice_13x9.yaml", ChartLayout)
    data, _ = draw_chart(scale_layout(layout, fit_pitch(layout, paper), "x"), paper, ("FIRST", "SECOND"), tiled=False)
    text = pypdfium2.PdfDocument(data)[0].get_textpage()
    bottom = []
    for word in ("FIRST", "SECOND"):
        found = text.search(word).get_next()
        assert found is not None
        bottom.append(text.get_charbox(found[0])[1] * 25.4 / 72)
    first, second = bottom
    assert 0 < second < first < (paper.height_mm - paper.usable_mm[1]) / 2 + FOOT_MM
    assert first - second == pytest.approx(2.9, abs=0.05)


@pytest.mark.parametrize(("change", "is_same"), [(-0.011, False), (-0.009, True), (0.009, True), (0.011, False)])
def test_a_print_whose_scale_differs_by_more_than_a_hundredth_has_a_name_of_its_own(change, is_same):
    layout = read_config(CONFIGS / "charts" / "lattice_13x9.yaml", ChartLayout)
    scaled = scale_layout(layout, layout.pitch_mm * (1 + change), "another")
    assert scaled.name == (layout.name if is_same else "another")
    assert scaled.disc_diameter_mm == pytest.approx(layout.disc_diameter_mm * (1 + change))


def test_a_picture_without_any_light_is_drawn_black(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((64, 96), np.uint16), photometric="minisblack")
    small, size = read_small(tmp_path / "a.tif")
    assert not small.any()
    assert size == (96, 64)


def test_a_trace_that_was_kept_before_a_part_of_it_was_measured_has_none_of_it():
    added = {each.name: each.default_factory() for each in fields(Trace) if each.default_factory is not MISSING}
    assert (added["far_light"].shape, added["middle_light"].shape) == ((0, 0, 2), (0, 0))


@pytest.mark.parametrize(("limit_pct", "is_told"), [(9.9, True), (10.1, False)])
def test_a_change_of_light_is_the_range_over_the_mean_and_told_above_its_limit(limit_pct, is_told):
    for levels, times in (
        ([0.38, 0.42], [None, 0.1]),
        ([0.38, 0.84], [0.1, 0.2]),
        ([0.42, 0.4, 0.38], [1.0, 1.0, 1.0]),
    ):
        change_pct, caveats, notes = find_level_change(np.array(levels), times, limit_pct if times[0] else 60.0)
        if times[0]:
            assert change_pct == pytest.approx(10)
            assert (caveats, len(notes)) == (((LEVEL_CHANGE,), 1) if is_told else ((), 0))
        else:  # a time that is not known corrects nothing
            assert change_pct == pytest.approx(10)
            assert caveats == notes == ()
    assert find_level_change(np.array([0.4]), [1.0], limit_pct) == (0.0, (), ())


def test_an_exposure_of_fewer_than_five_mains_cycles_is_noted():
    assert note_flicker([0.2, 0.099, None], 50.0) != ()
    assert note_flicker([0.2, 0.1], 50.0) == note_flicker([None], 50.0) == note_flicker([], 50.0) == ()


def test_the_worst_of_some_numbers_keeps_its_sign_and_its_own_u():
    numbers = Numbers(value={"a": 1.0, "b": -3.0, "c": 2.0}, u={"a": 0.1, "b": 0.2, "c": 0.3})
    assert choose_worst(("a", "b", "c"), numbers) == (-3.0, 0.2)
    assert choose_worst(("c", "a"), numbers) == (2.0, 0.3)


def test_angles_about_half_a_turn_are_brought_together():
    assert _unwrap(np.array([179.0, -179.0, 178.0])).tolist() == [179.0, 181.0, 178.0]
    assert _unwrap(np.array([-170.0, 175.0])).tolist() == [-170.0, -185.0]


def test_sharpness_kept_away_from_best_focus_follows_the_fitted_curve():
    vertex = Vertex(
        place=3.0, place_u=0.0, blur=8.0, square=4.0, fourth=2.0, low=-17.0, high=23.0, covariance=np.diag([0.01] * 4)
    )
    # half of the fitted range is 20, so that 13 and -7 are half of it away
    for place in (13.0, -7.0):
        assert float(vertex.at(np.array(place))) == pytest.approx(8 + 4 / 4 + 2 / 16)
        assert vertex.kept_at(place)[0] == pytest.approx(np.sqrt(8 / (8 + 4 / 4 + 2 / 16)))
    assert vertex.kept_at(3.0)[0] == 1.0


def test_a_cell_below_all_its_neighbours_is_raised_to_the_lowest_of_them_and_no_other():
    frame = np.full((5, 6), 9.0, np.float32)
    frame[2, 3], frame[2, 4], frame[0, 0] = 1.0, 8.0, 2.0
    filled = fill_lone(frame)
    expected = frame.copy()
    expected[2, 3], expected[0, 0] = 8.0, 9.0
    assert filled.tolist() == expected.tolist()
    frame[2, 4] = 1.0  # two together are no lone cell
    assert fill_lone(frame)[2, 3:5].tolist() == [1.0, 1.0]


def test_the_shape_of_a_field_of_sharpness_is_its_second_harmonic_and_its_even_loss():
    places = np.array([(x, y) for x in np.linspace(-0.8, 0.8, 7) for y in np.linspace(-0.5, 0.5, 5)])
    x, y = places.T
    square = x**2 + y**2
    sharpness = 0.4 * (1 + 0.05 * x + 0.03 * (x**2 - y**2) + 0.04 * 2 * x * y - 0.2 * square + 0.05 * square**2)
    assert _find_shape(sharpness, places) == pytest.approx((0.05, 0.15))


def test_the_mean_gain_of_a_box_is_that_of_its_own_part_of_the_frame():
    frame = Frame(width_px=600, height_px=400, pitch_um=6.0)
    # a loss of 1 EV at a half-diagonal, proportional to the square of the distance from the centre
    falloff = Falloff(corner_ev=1.0, square_share=1.0)
    tiny = 1e-4
    for x, y in ((0.0, 0.0), (1.0, 0.0), (0.5, 0.5), (0.75, 0.25)):
        square = ((x - 0.5) * 600) ** 2 + ((y - 0.5) * 400) ** 2
        box = (x, x + tiny, y, y + tiny)
        assert mean_gain_box(falloff, "green", frame, box) == pytest.approx(
            2 ** -(square / (300**2 + 200**2)), abs=2e-4
        )
    shifted = Falloff(corner_ev=1.0, square_share=1.0, centre_shift_frac=(0.1, 0.0))
    left, right = (mean_gain_box(shifted, "green", frame, (at, at + tiny, 0.5, 0.5 + tiny)) for at in (0.2, 0.8))
    assert left < right
    assert Falloff().centre_shift_frac == (0.0, 0.0)


def test_the_distance_from_a_discs_edge_is_in_pixels_also_where_the_disc_is_an_ellipse():
    def find(x, y, *axes):
        distance, nx, ny = edge_distance(x, y, np.diag([1 / axis for axis in axes]), 10.0)
        return pytest.approx(distance, abs=1e-9), pytest.approx((nx, ny), abs=1e-9)

    assert find(7.2, 9.6, 1, 1) == (2.0, (0.6, 0.8))
    assert find(0.0, -9.0, 1, 1) == (-1.0, (0.0, -1.0))
    # semi-axes of 20 and 5 px: on an axis the distance is exact
    assert find(23.0, 0.0, 2, 0.5) == (3.0, (1.0, 0.0))
    assert find(0.0, 4.5, 2, 0.5) == (-0.5, (0.0, 1.0))
