from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import uniform_filter1d

from glasswright import Setting, Unmeasurable
from glasswright_camera.chart.discs import measure_discs
from glasswright_camera.chart.locate_chart import locate_chart
from glasswright_camera.stand import ChartUse, Sensor, Stand
from support.chart_drawing import Scene, draw_light, expose, make_layout, make_stand

PLAIN = Scene(width=900, height=600, pitch_px=66.0)
DENSE = Scene(layout=make_layout(25, 18, kind="ring", name="dense"), width=840, height=600, pitch_px=30.0)


@cache
def draw(scene):
    light = draw_light(scene)
    light.flags.writeable = False
    return light


def locate(scene, **exposure):
    return locate_chart(expose(draw(scene), **exposure), make_stand(scene.layout))


def measure_errors(fit, scene):
    """Distances of found centres from the true image of their nodes; a wrong node is a pitch off."""
    true = scene.node_places()[fit.node[:, 1], fit.node[:, 0]]
    return np.hypot(*(fit.centre_px - true).T)


GOOD = {
    "as it should hang": (PLAIN, 117),
    "large marks": (replace(PLAIN, layout=make_layout(kind="large")), 117),
    "barrel 12 %": (replace(PLAIN, k1=-0.12), 117),
    "pincushion 8 %": (replace(PLAIN, k1=0.08, pitch_px=62.0), 117),
    "wave": (replace(PLAIN, k1=-0.1, k2=0.12), 117),
    "vignetting 3 stops": (replace(PLAIN, falloff_ev=3.0), 117),
    "turned 10 degrees": (replace(PLAIN, rotation=10.0, pitch_px=56.0), 117),
    "turned 90 degrees": (replace(PLAIN, rotation=90.0, pitch_px=44.0), 117),
    "turned 180 degrees": (replace(PLAIN, rotation=183.0), 117),
    "turned 270 degrees": (replace(PLAIN, rotation=-95.0, pitch_px=42.0), 117),
    "tilted 5 degrees": (replace(PLAIN, tilt_x=5.0, tilt_y=-5.0, focal_px=1600.0, pitch_px=58.0), 117),
    "dust": (replace(PLAIN, dust=25), 116),
    "soft": (replace(PLAIN, blur_px=5.0), 117),
    "low contrast": (replace(PLAIN, dark=0.5), 117),
    "contrast 0.36": (replace(PLAIN, dark=0.64), 117),
    "contrast 0.27": (replace(PLAIN, dark=0.73), 117),
    "contrast 0.27, large marks, vignetting 1.5 stops": (
        replace(PLAIN, dark=0.73, layout=make_layout(kind="large"), falloff_ev=1.5),
        117,
    ),
    "contrast 0.27 in a workshop": (
        replace(PLAIN, dark=0.73, pitch_px=46.0, rotation=4.0, wall=0.2, clutter=20, clutter_on_paper=6),
        110,
    ),
    "in a workshop": (
        replace(
            PLAIN, pitch_px=46.0, rotation=4.0, wall=0.2, clutter=40, clutter_on_paper=12, dust=10, neighbour_chart=True
        ),
        115,
    ),
    "beside a larger lattice, rings soft": (
        replace(
            PLAIN,
            pitch_px=31.2,
            rotation=-4.9,
            wall=0.2,
            clutter=6,
            neighbour_chart=True,
            blur_px=1.55,
            shift=(-11.0, 26.0),
        ),
        117,
    ),
    "before a dark wall": (replace(PLAIN, pitch_px=40.0, wall=0.03, clutter=20, shift=(50.0, -30.0)), 117),
    "with a glare spot": (replace(PLAIN, glare=(300.0, 250.0, 60.0, 0.3)), 110),
    "25 x 18 discs of 12 px": (DENSE, 450),
    "25 x 18 discs of 12 px, large marks": (
        replace(DENSE, layout=make_layout(25, 18, kind="large", name="dense"), k1=-0.05, falloff_ev=1.5),
        450,
    ),
    "25 x 18 discs of 12 px in a larger frame": (
        replace(DENSE, width=1500, height=1000, wall=0.4, clutter=25, rotation=-3.0),
        450,
    ),
}


@pytest.mark.parametrize("name", GOOD)
def test_every_disc_is_found_at_its_node_to_a_third_of_a_pixel(name):
    scene, least = GOOD[name]
    fit = locate(scene)
    error = measure_errors(fit, scene)
    assert fit.disc_count >= least
    assert fit.disc_count + fit.left_out_count == scene.layout.columns * scene.layout.rows
    # dust and objects beside a disc bias single centres; edges are traced later
    assert np.sqrt(np.mean(error**2)) < 0.3
    assert np.median(error) < 0.15
    assert fit.is_mark.sum() == 3


@pytest.mark.parametrize("ratio", [1.8, 2.5, 3.2])
def test_large_marks_of_an_upright_print_are_found_partly_out_of_the_frame(ratio):
    marks = ((8, 5), (16, 5), (8, 12), (16, 12))
    layout = make_layout(25, 18, "large", marks, disc=36.0, large=ratio, orientation="upright")
    scene = replace(PLAIN, layout=layout, pitch_px=41.0, rotation=-6.0, tilt_x=12.0, tilt_y=-10.0, falloff_ev=1.0)
    fit = locate(scene)
    assert {tuple(node) for node in fit.node[fit.is_mark].tolist()} == set(marks)
    assert fit.disc_count > 300
    assert fit.disc_count + fit.left_out_count == 450
    assert np.sqrt(np.mean(measure_errors(fit, scene) ** 2)) < 0.3
    ratios = fit.radius_px[fit.is_mark] / np.median(fit.radius_px)
    np.testing.assert_allclose(ratios, ratio, rtol=0.15)


@pytest.mark.parametrize(("k1", "pitch"), [(-0.3, 66.0), (0.3, 55.0)])
def test_thirty_percent_of_distortion_is_located(k1, pitch):
    scene = replace(PLAIN, k1=k1, pitch_px=pitch)
    fit = locate(scene)
    assert fit.disc_count >= 113
    # a disc's centroid leaves its node's image by about 3 k x r^2: 0.2 px here
    assert measure_errors(fit, scene).max() < 0.4


@pytest.mark.parametrize("kind", ["bayer", "mono", "photograph"])
def test_raw_files_and_photographs_give_the_same_places(kind):
    fit = locate(PLAIN, kind=kind)
    assert fit.disc_count == 117
    assert measure_errors(fit, PLAIN).max() < 0.1


def test_radius_scale_and_turn_are_those_of_the_scene():
    scene = replace(PLAIN, rotation=-7.0, pitch_px=58.0)
    fit = locate(scene)
    radius = 0.5 * 48.0 / 120.0 * 58.0
    assert np.abs(fit.radius_px - radius).max() < 0.5
    assert fit.rotation_deg == pytest.approx(-7.0, abs=0.02)
    assert fit.magnification_frac == pytest.approx(58.0 * 0.006 / 120.0, rel=5e-4)
    place = fit.homography @ [2 * 120.0, -3 * 120.0, 1.0]
    np.testing.assert_allclose(place[:2] / place[2], scene.node_places()[4 - 3, 6 + 2], atol=0.1)


def test_the_homography_does_not_contain_the_distortion():
    straight, bent = replace(PLAIN, pitch_px=60.0), replace(PLAIN, pitch_px=60.0, k1=-0.1, k2=0.03)
    one, two = locate(straight), locate(bent)
    corner = [-6 * 120.0, -4 * 120.0, 1.0]
    places = [fit.homography @ corner for fit in (one, two)]
    np.testing.assert_allclose(places[0][:2] / places[0][2], places[1][:2] / places[1][2], atol=0.5)


def test_the_free_paper_ends_at_neighbour_frame_and_nearby_objects():
    light = draw(PLAIN).copy()
    light[:, :30] = 0.2  # a dark post beside the first column
    fit = locate_chart(expose(light), make_stand(PLAIN.layout))
    clear = dict(zip(map(tuple, fit.node.tolist()), fit.clear_px, strict=True))
    left = PLAIN.node_places()[4, 0, 0] - 13.2
    assert clear[0, 4] == pytest.approx(left - 29.5, abs=2.5)
    assert clear[6, 4] == pytest.approx(66.0 - 2 * 13.2, abs=3.0)
    below = 600 - PLAIN.node_places()[8, 6, 1] - 13.2
    assert clear[6, 8] <= below


# --- what must not matter


def test_a_quarter_turn_of_the_image_turns_the_places():
    light = draw(replace(PLAIN, k1=-0.04))
    one = locate_chart(expose(light, kind="mono"), make_stand(PLAIN.layout))
    two = locate_chart(expose(np.rot90(light).copy(), kind="mono"), make_stand(PLAIN.layout))
    first = dict(zip(map(tuple, one.node.tolist()), one.centre_px, strict=True))
    second = dict(zip(map(tuple, two.node.tolist()), two.centre_px, strict=True))
    assert first.keys() == second.keys()
    # rot90 is counter-clockwise: (x, y) comes to (y, width - 1 - x)
    turned = np.array([[first[node][1], 899 - first[node][0]] for node in first])
    np.testing.assert_allclose(turned, [second[node] for node in first], atol=0.1)
    assert two.rotation_deg == pytest.approx(one.rotation_deg - 90, abs=0.02)


@settings(max_examples=8, deadline=None)
@given(dx=st.integers(-8, 8), dy=st.integers(-8, 8), exposure=st.floats(1500, 12000))
def test_a_shift_shifts_and_exposure_does_not_matter(dx, dy, exposure):
    scene = replace(PLAIN, pitch_px=50.0)
    light = np.roll(draw(scene), (dy, dx), axis=(0, 1))
    fit = locate_chart(expose(light, paper_dn=exposure), make_stand(scene.layout))
    true = scene.node_places()[fit.node[:, 1], fit.node[:, 0]] + (dx, dy)
    assert fit.disc_count == 117
    assert np.hypot(*(fit.centre_px - true).T).max() < 0.15


# --- left out, counted and named


def test_discs_cut_by_the_frame_are_left_out_and_named():
    scene = replace(PLAIN, pitch_px=68.0, shift=(-32.0, 0.0))
    fit = locate(scene)
    assert fit.disc_count == 108
    assert fit.left_out_count == 9
    assert fit.notes == (
        "9 discs left out, cut by the frame: (0, 0), (0, 1), (0, 2), (0, 3), (0, 4), (0, 5) and 3 more",
    )


def test_a_chart_larger_than_the_frame_is_measured_where_visible():
    scene = replace(PLAIN, pitch_px=95.0, shift=(30.0, 10.0))
    fit = locate(scene)
    assert measure_errors(fit, scene).max() < 0.1
    assert fit.disc_count + fit.left_out_count == 117
    assert any("outside the frame" in note for note in fit.notes)


def test_hidden_discs_are_counted_as_hidden():
    fit = locate(replace(PLAIN, hidden=((0, 0), (3, 4), (4, 4), (12, 8))))
    assert fit.disc_count == 113
    assert fit.notes == ("4 discs left out, hidden or damaged: (0, 0), (3, 4), (4, 4), (12, 8)",)


def test_discs_on_clipped_paper_are_left_out():
    fit = locate(replace(PLAIN, glare=(450.0, 300.0, 90.0, 1.5)))
    assert 0 < fit.left_out_count < 25
    assert [6, 4] not in fit.node.tolist()
    assert [0, 0] in fit.node.tolist()
    assert fit.notes[0].startswith(f"{fit.left_out_count} discs left out, on clipped paper: ")


def test_underexposed_discs_are_left_out():
    fit = locate(replace(PLAIN, falloff_ev=4.0), paper_dn=2000.0)
    dark = [note for note in fit.notes if "on paper too dark" in note]
    assert len(dark) == 1
    # paper falls to 2 % of white where 2^-(4 r^2) = 0.02 * 15871 / 2000
    r = np.hypot(*((PLAIN.node_places() - PLAIN.middle) / PLAIN.half_diagonal).reshape(-1, 2).T)
    assert fit.left_out_count == np.sum(r > np.sqrt(np.log2(2000 / (0.02 * 15871)) / 4))


# --- charts that cannot be measured, and their messages


def refuse(scene, stand_layout=None, **exposure):
    with pytest.raises(Unmeasurable) as caught:
        locate_chart(expose(draw(scene), **exposure), make_stand(stand_layout or scene.layout))
    return str(caught.value)


def test_a_smaller_chart_is_named_by_its_size():
    message = refuse(replace(PLAIN, layout=make_layout(10, 7)), make_layout())
    assert message == (
        "10 x 7 nodes found where lattice_13x9 has 13 x 9: "
        "hang the chart that the stand file names, or uncover all of it"
    )


def test_a_larger_chart_is_named_by_its_size():
    message = refuse(replace(PLAIN, layout=make_layout(15, 11), pitch_px=52.0), make_layout())
    assert message.startswith("15 x 11 nodes found where lattice_13x9 has 13 x 9")


def test_a_print_below_the_least_contrast_is_reported():
    message = refuse(replace(PLAIN, dark=0.78))
    assert "117 discs left out, of too little contrast" in message


@pytest.mark.parametrize(("rotation", "note"), [(0.0, ""), (177.0, "upside down"), (95.0, "on its side")])
def test_the_orientation_of_a_print_is_noted_if_marks_show_it(rotation, note):
    notes = [each for each in locate(replace(PLAIN, rotation=rotation, pitch_px=44.0)).notes if "hangs" in each]
    assert notes == ([f"lattice_13x9 hangs {note}, turned by {rotation:.0f} degrees"] if note else [])


def test_four_rings_where_the_layout_has_three_are_refused():
    four = make_layout(14, 9, marks=((5, 3), (8, 3), (5, 5), (8, 5)), orientation="upright")
    three = make_layout(14, 9, marks=((5, 3), (8, 3), (5, 5)))
    message = refuse(replace(PLAIN, layout=four, pitch_px=60.0), three)
    assert "the orientation of lattice_14x9 is ambiguous" in message
    assert "4 ring marks seen where lattice_14x9 has 3" in message


@pytest.mark.parametrize("rotation", [0.0, 90.0, 190.0])
@pytest.mark.parametrize("kind", ["ring", "large"])
def test_a_mirrored_chart_is_reported(kind, rotation):
    scene = replace(PLAIN, mirrored=True, rotation=rotation, pitch_px=44.0, layout=make_layout(kind=kind))
    assert refuse(scene) == (
        "the marks of lattice_13x9 read mirrored: is the print reversed or the image flipped? (117 discs were found)"
    )


def test_missing_marks_are_counted():
    other = make_layout(kind="large")
    assert refuse(replace(PLAIN, layout=other), make_layout()) == (
        "the marks of lattice_13x9 were not found: 0 ring marks seen where lattice_13x9 has 3, on 13 x 9 nodes "
        "(117 discs); is another chart hung, or are the marks covered?"
    )


def test_a_covered_mark_is_reported():
    scene = replace(PLAIN, hidden=((8, 3),))
    assert "2 ring marks seen where lattice_13x9 has 3" in refuse(scene)


def test_the_message_of_too_few_discs_counts_the_rejected_ones():
    message = refuse(replace(PLAIN, pitch_px=198.0))
    assert message.startswith(
        "only 15 good discs of lattice_13x9 were found, at least 20 are needed; 102 discs left out, "
    )


@pytest.mark.parametrize("what", ["blank", "noise", "dark"])
def test_a_missing_chart_is_reported(what):
    light = {
        "blank": np.ones((600, 900)),
        "noise": np.random.default_rng(0).random((600, 900)),
        "dark": np.zeros((600, 900)),
    }[what]
    with pytest.raises(
        Unmeasurable,
        match=r"lattice_13x9 was not found: \d+ dark .* form no lattice of 15 or more, and its bright parts reach",
    ):
        locate_chart(expose(light), make_stand(make_layout()))


@pytest.mark.parametrize("length_px", [60, 500])
@pytest.mark.parametrize("role", ["chart", "shake_on", "shake_off"])
def test_a_shot_that_the_shaker_smeared_is_told_as_moved_not_as_out_of_focus(role, length_px):
    smeared = uniform_filter1d(draw(PLAIN), length_px, axis=1)
    with pytest.raises(Unmeasurable) as caught:
        locate_chart(expose(smeared, role=role), make_stand(make_layout()))
    moved = "the shaker moved the image too far for its exposure time: shoot shorter times as well"
    assert (moved in str(caught.value)) == (role != "chart")
    assert ("in focus?" in str(caught.value)) == (role == "chart")


def test_the_focal_length_chooses_the_chart():
    dense = DENSE.layout
    stand = Stand(
        sensor=Sensor(pixel_pitch_um=6.0),
        charts=(
            ChartUse(layout=make_layout(), focal_length_mm=(20.0, 100.0)),
            ChartUse(layout=dense, focal_length_mm=(101.0, 400.0)),
        ),
    )
    light = draw(DENSE)
    assert locate_chart(expose(light, setting=Setting(focal_length_mm=200.0)), stand).chart == "dense"
    assert locate_chart(expose(light), stand).chart == "dense"
    with pytest.raises(Unmeasurable, match=r"25 x 18 nodes found|marks of lattice_13x9 were not found"):
        locate_chart(expose(light, setting=Setting(focal_length_mm=50.0)), stand)
    with pytest.raises(Unmeasurable) as caught:
        locate_chart(expose(light, setting=Setting(focal_length_mm=600.0)), stand)
    assert str(caught.value) == (
        "no chart of the stand is hung for 600 mm (lattice_13x9 for 20 to 100 mm; dense for 101 to 400 mm); "
        "add one to the stand file's charts"
    )


@pytest.mark.parametrize("radius", [0.3, 4.0, 30.0])
def test_a_region_as_light_as_its_paper_is_no_disc(radius):
    even = np.ones((60, 80), np.float32)
    place = np.array([[40.0, 30.0], [1.0, 58.5]])
    found = measure_discs(even, np.zeros_like(even), place, np.full(2, radius), 0.4)
    assert not (found.contrast > 0).any()
