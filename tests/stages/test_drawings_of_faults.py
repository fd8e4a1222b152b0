"""Drawings of spots, of the inclined board and of centring: places agree with the values."""

import re
from dataclasses import fields, replace

import numpy as np
import pytest

from glasswright import Artefact
from glasswright.plugin.drawing import Plot
from glasswright_camera import DRAWINGS, SERIES_DRAWINGS
from glasswright_camera.centring.drawing import RADIUS, draw_centring, read_dials
from glasswright_camera.centring.result import Centring
from glasswright_camera.chart.ramp import RampTrace
from glasswright_camera.field import image_radius
from glasswright_camera.focus.drawing import draw_offset, draw_ramp
from glasswright_camera.focus.fit import find_vertex
from glasswright_camera.focus.result import ColourOffset, FocusOffset
from glasswright_camera.plots import FrameView
from glasswright_camera.sharpness.drawing_focus import read_series_zones
from glasswright_camera.spots.drawing import draw_spots
from glasswright_camera.spots.result import Spots
from glasswright_camera.stand import Zones
from support.drawings import SVG, parse, sharp_shots, tips
from support.ramp_shots import make_ramp_trace


def shapes(picture, tag, class_):
    return [each for each in parse(picture).iter(SVG + tag) if each.get("class", "").startswith(class_)]


def texts(picture):
    return [each.text for each in parse(picture).iter(SVG + "text")]


def make_spots(kinds, **changes):
    count = len(kinds)
    counts = {f"{kind}_count": kinds.count(kind) for kind in ("sensor_dust", "lens_dust", "scratch", "patch", "unsure")}
    values = {
        "new_sensor_dust_count": 0,
        "lens_deepest_pct": 5.0,
        "lens_deepest_pct_u": 0.2,
        "faintest_seen_pct": 0.4,
        "hot_pixel_count": np.nan,
        "place_px": np.linspace([200.0, 150.0], [1500.0, 1000.0], count).reshape(-1, 2),
        "kind": tuple(kinds),
        "is_known": np.zeros(count, bool),
        "frame_px": np.array([1728, 1152]),
        "shadow_px": np.linspace(90.0, 6.0, count),
        "shadow_um": 6 * np.linspace(90.0, 6.0, count),
        "depth": np.linspace(0.05, 0.01, count),
        "thing_um": np.full(count, 50.0),
        "distance_mm": np.full(count, 40.0),
        "distance_u_mm": np.full(count, 1.5),
        "setting_count": 3,
    }
    return Spots(**counts | values | changes)


def test_the_entry_points_offer_the_further_drawings():
    assert {Spots, FocusOffset, Centring} <= set(DRAWINGS)
    assert RampTrace in SERIES_DRAWINGS


def test_every_spot_is_a_ring_as_wide_as_its_shadow_where_it_lies():
    kinds = ["lens_dust", "patch", "scratch", "sensor_dust", "unsure"]
    spots = make_spots(kinds, is_known=np.array([False, False, False, True, False]))
    (picture,) = draw_spots(spots)
    view = FrameView(width_px=1728, height_px=1152)
    # the ring of the lens's dust and, for the rest, outlines that reach as far
    drawn = [each for each in parse(picture).iter(SVG + "g") if each.get("class") == "mark"]
    for k, group in enumerate(drawn):
        middle = view.place(spots.place_px[[k]])[0]
        wide = max(spots.shadow_px[k] * view.scale / 2, 4.0)
        spot = group.find(SVG + "circle")
        assert [float(spot.get("cx")), float(spot.get("cy"))] == pytest.approx(middle, abs=0.06)
        assert float(spot.get("r")) == pytest.approx(wide, abs=0.06)
        for path in group.iter(SVG + "path"):
            corners = np.array(re.findall(r"[-\d.]+", path.get("d")), float).reshape(-1, 2)
            assert np.hypot(*(corners - middle).T).max() == pytest.approx(wide, rel=0.12, abs=0.1)
    corners = [sum(path.get("d").count(pen) for path in group.iter(SVG + "path") for pen in "ML") for group in drawn]
    assert corners == [0, 4, 4, 3, 6]
    shown = tips(picture)
    wide = (
        "1: dust in the lens, at x 200, y 150: shadow 540 µm wide, takes 5 % of the light, "
        "40 ± 3 mm in front of the sensor"
    )
    assert shown[0] == wide
    assert "4: dust on the sensor, on the stand's list, at x 1175, y 788" in shown[3]
    assert len([each for each in shapes(picture, "circle", "fill") if each.get("r") == "1.6"]) == 1
    assert {"dust in the lens: 1", "patch in the lens: 1", "of unknown origin: 1"} < set(texts(picture))


def test_a_spot_without_a_distance_shows_none():
    (picture,) = draw_spots(make_spots(["unsure"], distance_mm=np.array([np.nan]), distance_u_mm=np.array([np.nan])))
    assert "sensor" not in tips(picture)[0]


def test_only_the_deepest_spots_show_their_rank():
    (picture,) = draw_spots(make_spots(["lens_dust"] * 40))
    assert [each for each in texts(picture) if each.isdigit()] == [str(rank) for rank in range(1, 13)]
    assert len(tips(picture)) == 40


def test_a_clean_flat_has_a_caption():
    (picture,) = draw_spots(make_spots([]))
    assert texts(picture) == ["no shadow found"]


def test_the_fitted_blur_is_the_true_one():
    place = np.linspace(-30, 30, 17)
    blur = 8 + 0.03 * (place - 4.0) ** 2
    vertex = find_vertex(place, blur, np.full(17, 1e-4), "green")
    near = place[(place >= vertex.low) & (place <= vertex.high)]
    assert len(near) >= 7
    assert vertex.at(near) == pytest.approx(8 + 0.03 * (near - 4.0) ** 2, rel=1e-5)


def test_a_ramp_marks_best_focus_of_each_colour_where_it_is():
    (picture,) = draw_ramp((make_ramp_trace(10.0),))
    shown = [each for each in tips(picture) if each.startswith("best focus")]
    shift = {"green": 10.0, "red": 11.5, "blue": 8.0}
    for name, each in shift.items():
        z = each / 1000 / 0.0225**2
        place = z / (1 - z * 0.0225 / 50)
        assert any(re.match(rf"best focus in {name}: \+{place:.2f} ± 0.00 mm", tip) for tip in shown), (name, shown)
    assert len(shown) == 3
    drawn = [each for each in shapes(picture, "path", "line") if each.get("d", "").count("L") > 20]
    assert len(drawn) == 3


def test_a_ramp_draws_each_row_at_its_distance_with_its_blur():
    trace = make_ramp_trace(0.0, colours=(0.0, 0.0, 0.0))
    (picture,) = draw_ramp((trace,))
    # 45 degrees: rows 16 mm apart along the board lie 11.3 mm apart along the axis; blur is 8 + 0.03 t^2
    shift = 1000 * 0.0225**2 * 11.3137 / (1 + 11.3137 * 0.0225 / 50)
    assert f"green, +11.3 mm: {8 + 0.03 * shift**2:.2f} ± 0.00 px²" in " ".join(tips(picture))
    dots = shapes(picture, "circle", "fill five")
    zero = next(float(each.get("x1")) for each in shapes(picture, "line", "guide"))
    assert min(abs(float(each.get("cx")) - zero) for each in dots) < 0.06


def test_further_ramp_shots_are_marked_by_their_best_focus():
    shots = tuple(make_ramp_trace(best) for best in (0.0, 6.0, -6.0))
    (picture,) = draw_ramp(shots)
    assert len(shapes(picture, "polygon", "fill")) == 2
    assert any(tip.startswith("shot 3: best focus in green −") for tip in tips(picture))
    assert "the first of 3 shots" in picture.description


def test_a_ramp_out_of_focus_throughout_shows_points_and_no_curve():
    (picture,) = draw_ramp((make_ramp_trace(300.0),))
    assert not [each for each in tips(picture) if each.startswith("best focus")]
    assert "green no best focus" in texts(picture)


def test_a_ramp_without_an_f_number_is_not_drawn():
    assert draw_ramp((replace(make_ramp_trace(), setting=None),)) == []


def make_colour(shift, u=1.0):
    return ColourOffset(
        offset_mm=shift * 2,
        offset_mm_u=u * 2,
        shift_um=shift,
        shift_um_u=u,
        offset_depths=shift / 60,
        offset_depths_u=u,
        kept_sharpness_frac=0.9,
        kept_sharpness_frac_u=u,
    )


def test_best_focus_is_drawn_over_the_depth_of_focus():
    offset = FocusOffset(
        red=make_colour(30.0),
        green=make_colour(-60.0),
        blue=make_colour(np.nan),
        red_green_um=90.0,
        red_green_um_u=1.4,
        blue_green_um=np.nan,
        blue_green_um_u=np.nan,
        depth_of_focus_um=60.0,
        ramp="ramp_9x17",
        magnification_frac=0.0225,
        shot_count=1,
    )
    (picture,) = draw_offset(offset)
    (strip,) = shapes(picture, "rect", "allowed")
    left, width = float(strip.get("x")), float(strip.get("width"))
    dots = [float(each.get("cx")) for each in shapes(picture, "circle", "fill")]
    assert dots == pytest.approx([left + 0.75 * width, left], abs=0.11)
    assert tips(picture)[1].startswith("green: -60.0 ± 2.0 µm at the sensor")


def make_centring(**changes):
    closed = {each.name for each in fields(Artefact)}
    values = {each.name: np.nan for each in fields(Centring) if each.name not in closed}
    return Centring(**values | {"tilt_of": "not measured", "focus_disc_count": 0, "shot_count": 1} | changes)


SIDE = {"side_slope_frac": 0.08, "side_slope_frac_u": 0.01, "worse_side_deg": 90.0, "worse_side_deg_u": 7.0}


def test_an_arrow_points_to_the_softer_side_as_far_as_its_ring_says():
    (picture,) = draw_centring(make_centring(**SIDE))
    (ring,) = shapes(picture, "circle", "frame")
    (dial,) = read_dials(make_centring(**SIDE))
    shaft = next(each.get("d") for each in shapes(picture, "path", "line"))
    (x0, y0), (x1, y1) = (map(float, pair.split()) for pair in re.findall(r"[ML]([-\d.]+ [-\d.]+)", shaft)[:2])
    assert (x0, y0) == (float(ring.get("cx")), float(ring.get("cy")))
    assert (x1 - x0, y1 - y0) == pytest.approx((0.0, 8.0 / dial.full * RADIUS), abs=0.11), "90 degrees is down"
    assert f"{dial.full:g}" in texts(picture)
    assert "towards 90° ± 14°" in texts(picture)
    assert tips(picture) == ["softer side: 8.0 ± 2.0 % in a half-diagonal, towards 90° ± 14°"]


def test_two_soft_sides_are_an_axis_through_the_middle():
    """As of a tilted group that is in focus in the middle: no arrow showed what held the lens."""
    sides = {"soft_sides_frac": 0.49, "soft_sides_frac_u": 0.02, "soft_sides_deg": 90.0, "soft_sides_deg_u": 3.0}
    (picture,) = draw_centring(make_centring(**SIDE, **sides))
    rings = shapes(picture, "circle", "frame")
    (axis,) = shapes(picture, "line", "line one")
    x, y = float(rings[1].get("cx")), float(rings[1].get("cy"))
    assert (float(axis.get("x1")), float(axis.get("x2"))) == pytest.approx((x, x), abs=0.11)
    length = 49 / read_dials(make_centring(**sides))[0].full * RADIUS
    assert (float(axis.get("y1")), float(axis.get("y2"))) == pytest.approx((y - length, y + length), abs=0.11)
    assert tips(picture)[1] == "two soft sides: 49.0 ± 4.0 % softer than between, along 90° ± 6°"
    assert "on the lens at 12:00, 6:00" in texts(picture) or "on the lens at 6:00, 12:00" in texts(picture)


def test_the_uncertainty_region_includes_the_middle_if_nothing_is_significant():
    for u, is_sure in ((0.01, True), (0.05, False)):
        (picture,) = draw_centring(make_centring(**SIDE | {"side_slope_frac_u": u}))
        (patch,) = shapes(picture, "ellipse", "band")
        (ring,) = shapes(picture, "circle", "frame")
        away = float(patch.get("cy")) - float(ring.get("cy"))
        assert (away > float(patch.get("rx"))) is is_sure
        assert patch.get("transform").startswith("rotate(90 ")


def test_an_unknown_direction_is_not_shown():
    (picture,) = draw_centring(make_centring(**SIDE | {"worse_side_deg_u": 70.0}))
    assert "direction not known" in texts(picture)
    assert not [each for each in texts(picture) if "towards" in each]


def test_a_ticket_without_such_shots_draws_nothing():
    assert draw_centring(make_centring()) == []


def test_centres_of_symmetry_lie_where_they_are_and_down_is_down():
    red = {"red_centre_x_frac": 0.05, "red_centre_y_frac": 0.02, "red_centre_x_frac_u": 0.002}
    (picture,) = draw_centring(make_centring(**red, red_centre_y_frac_u=0.003))
    guides = shapes(picture, "line", "guide")
    x0, y0 = float(guides[0].get("x1")), float(guides[1].get("y1"))
    spot = shapes(picture, "circle", "fill two")[0]
    right, down = float(spot.get("cx")) - x0, float(spot.get("cy")) - y0
    assert right > 0
    assert down / right == pytest.approx(0.4, abs=0.01)
    assert tips(picture) == ["red: +0.050 ± 0.004 to the right, +0.020 ± 0.006 downwards"]


def test_best_focus_runs_along_tilt_and_bowl():
    focus = {"tilt_steps": 2.0, "tilt_steps_u": 0.1, "field_curvature_steps": -1.0, "field_curvature_steps_u": 0.1}
    (picture,) = draw_centring(make_centring(**focus, focus_disc_count=100))
    both = next(each.get("d") for each in shapes(picture, "path", "line one"))
    ends = np.array([pair.split() for pair in re.findall(r"[ML]([-\d.]+ [-\d.]+)", both)], float)
    half = 2 * np.hypot(0.1, 0.1)
    low, high = -3 - half, 2.0
    span = (high - low) * 0.06
    plot = Plot.between((-1.0, 1.0), (low - span, high + span), left=74, bottom=250)
    assert ends[0] == pytest.approx([74.0, plot.y(-3.0)], abs=0.11)
    assert ends[-1] == pytest.approx([540.0, plot.y(1.0)], abs=0.11)


def test_a_focus_series_is_drawn_for_the_zones_of_the_stand():
    series = sharp_shots(7, "focus_series", step_of_best=3.0)
    wide = tuple(replace(each, zones=Zones(centre_within_frac=0.5)) for each in series)
    trace = series[3]
    within = image_radius(trace.centre_px[1], trace.width_px, trace.height_px).fraction <= 0.5
    zones, narrow = read_series_zones(wide), read_series_zones(series)
    assert zones.names[0] == "centre"
    # extrapolated to the middle, more discs reduce the noise
    assert within.sum() > 20
    assert zones.value[3, 0] == pytest.approx(narrow.value[3, 0], rel=0.02)
    assert zones.value_u[3, 0] < 0.9 * narrow.value_u[3, 0]
