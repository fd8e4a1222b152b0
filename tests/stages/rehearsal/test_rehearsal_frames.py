"""Whole frames: planes, marks, light."""

from dataclasses import replace

import numpy as np
import pytest

from glasswright_rehearsal import (
    Distortion,
    Dust,
    Falloff,
    Lens,
    Lighting,
    PlaneShift,
    Pose,
    default_layout,
    mosaic_sensor,
    read_layout,
    render_light,
)
from glasswright_rehearsal.faults.kinds import NEAR_BLUR_UM, Fault
from glasswright_rehearsal.frames.render import _bound_radii, find_edges
from glasswright_rehearsal.frames.truth import ZoneLimits, describe_centring, describe_truth, find_vignetting
from glasswright_rehearsal.night.near import NEAR_MAGNIFICATION, place_near
from glasswright_rehearsal.night.tickets import round_numbers
from glasswright_rehearsal.optics.blur import find_blur
from glasswright_rehearsal.scene.geometry import HARMONICS
from glasswright_rehearsal.scene.layout import list_circles, write_layout
from glasswright_rehearsal.scene.lens import Aberrations
from support.exact_disc import draw_exact
from support.rehearsal_helpers import make_scene


@pytest.mark.parametrize("name", ["RGGB", "GBRG", "xtrans"])
def test_a_mosaic_holds_at_each_site_what_the_full_colour_frame_has_there(name):
    lens = Lens(red=PlaneShift(c1=1e-3), blue=PlaneShift(shift_px=(0.5, 0.3)), falloff=Falloff(corner_ev=1.0))
    full = render_light(make_scene(lens=lens, sensor=mosaic_sensor("rgb")))
    sensor = mosaic_sensor(name)
    mosaic = render_light(make_scene(lens=lens, sensor=sensor))[0]
    pattern = sensor.pattern_array()[0]
    height, width = mosaic.shape
    planes = np.tile(pattern, (height // len(pattern), width // len(pattern)))
    assert np.array_equal(mosaic, np.take_along_axis(full, planes[None], axis=0)[0])


def test_a_disc_of_a_whole_frame_is_the_exact_one():
    # one disc far out, blurred more along the radius than across it, against spectrum times transfer function; no
    # diffraction, so no tails of other discs
    lens = Lens(f_number=1e-5, aberrations=Aberrations(blur_um=1.5, tangential_growth_um=3.0))
    scene = make_scene(1296, 864, lens=lens, sensor=mosaic_sensor("mono"))
    light = render_light(scene)[0].astype(np.float64) / scene.lighting.exposure_frac
    circles, edges = find_edges(scene)
    disc = int(np.flatnonzero((circles.node == (11, 1)).all(axis=1))[0])
    x, y = edges.centre_px[0, disc]
    column, row = round(x), round(y)
    blur = find_blur(lens, scene.frame, edges.node_px[0, disc][None], "white")
    axes = np.eye(2) * edges.radius[0, disc, 0]
    exact = 1 - (1 - 1 / 20) * draw_exact(axes, (x - column, y - row), blur, 64, 2)
    found = light[row - 32 : row + 32, column - 32 : column + 32]
    assert blur.variance_xx[0] / blur.variance_yy[0] > 1.5
    # measured 1.5e-4: what is left is of second order in (blur along^2 - across^2) / radius, and this disc is small
    assert edges.radius[0, disc, 0] < 20
    assert np.abs(found - exact).max() < 2e-4


def test_discs_are_dark_paper_is_light_and_rings_have_holes():
    scene = make_scene(1296, 864, lens=Lens(f_number=4.0), sensor=mosaic_sensor("mono"))
    light = render_light(scene)[0]
    circles, edges = find_edges(scene)
    paper = scene.lighting.exposure_frac
    kinds = {(mark.column, mark.row): mark.kind for mark in scene.layout.marks}
    for disc in np.flatnonzero(~circles.is_hole):
        x, y = np.rint(edges.centre_px[0, disc]).astype(int)
        is_ring = kinds.get(tuple(circles.node[disc])) == "ring"
        # two per cent of the light crosses: the tails of diffraction
        assert light[y, x] / paper == pytest.approx(1.0 if is_ring else 1 / 20, abs=0.06 if is_ring else 0.02)
    assert light[2, 2] / paper == pytest.approx(1.0, abs=2e-3)


def test_a_knocked_stand_lays_a_second_image_over_the_first():
    scene = make_scene(1296, 864, lens=Lens(f_number=4.0), sensor=mosaic_sensor("mono"))
    plain = render_light(scene)[0]
    knocked = render_light(replace(scene, knocked_px=(3.0, 2.0), knocked_share=0.2))[0]
    moved = np.roll(plain, (2, 3), axis=(0, 1))
    assert knocked[8:-8, 8:-8] == pytest.approx((0.8 * plain + 0.2 * moved)[8:-8, 8:-8], abs=2e-5)
    assert np.abs(knocked - plain).max() > 0.1


def test_large_marks_are_larger():
    marks = tuple(replace(mark, kind="large") for mark in default_layout().marks)
    circles = list_circles(replace(default_layout(), marks=marks))
    assert sorted(set(circles.radius_mm[circles.is_mark])) == [16.8]
    assert sorted(set(circles.radius_mm[~circles.is_mark])) == [12.0]
    assert not circles.is_hole.any()


def test_layout_file_survives_and_a_wrong_one_is_named(tmp_path):
    write_layout(default_layout(), tmp_path / "chart.yaml")
    assert read_layout(tmp_path / "chart.yaml") == default_layout()
    text = (tmp_path / "chart.yaml").read_text(encoding="utf-8")
    (tmp_path / "chart.yaml").write_text(text.replace("pitch_mm", "pitch"), encoding="utf-8")
    with pytest.raises(ValueError, match=r"chart\.yaml: a chart file has .* missing or unknown: pitch, pitch_mm"):
        read_layout(tmp_path / "chart.yaml")


def test_falloff_truth_is_what_an_even_frame_shows():
    falloff = Falloff(corner_ev=1.4, plane_ev=(0.05, 0, 0.1), centre_shift_frac=(0.03, -0.02), obstruction_ev=0.6)
    falloff = replace(falloff, obstruction_deg=33.69)
    lens = Lens(falloff=falloff, aberrations=Aberrations(veil_frac=0.02))
    scene = make_scene(960, 640, lens=lens, chart=False, sensor=mosaic_sensor("rgb"))
    frame = render_light(scene).astype(np.float64)
    truth = find_vignetting(lens, scene.sensor.planes, scene.frame, 0.05)
    for p, plane in enumerate(scene.sensor.planes):
        centre = frame[p, 304:336, 456:504].mean()
        corner = frame[p, -32:, -48:].mean()
        assert truth[plane]["lower_right"] == pytest.approx(np.log2(centre / corner), abs=2e-4)
        assert truth[plane]["lower_right"] > truth[plane]["upper_left"] + 0.3


def test_veil_lowers_contrast_as_the_formula_says():
    # (1 + v) / (1 / C + v): 20:1 paper and 5 % of veil read 10.5
    lens = Lens(aberrations=Aberrations(veil_frac=0.05), f_number=1.0)
    scene = make_scene(1296, 864, lens=lens, sensor=mosaic_sensor("mono"))
    light = render_light(scene)[0]
    x, y = np.rint(find_edges(scene)[1].centre_px[0, 0]).astype(int)
    assert light[2, 2] / light[y, x] == pytest.approx(1.05 / 0.10, rel=0.02)


def test_dust_casts_the_shadow_that_geometry_gives():
    # D = d + t / N, depth (d N / t)^2: 20 um, 1 mm, f/16 give 82 um and 10 %
    scene = make_scene(chart=False, lens=Lens(f_number=16.0), sensor=mosaic_sensor("mono"))
    mote = Dust(x_px=200.0, y_px=100.0, diameter_um=20.0, distance_um=1000.0)
    clean, dusty = render_light(scene), render_light(replace(scene, dust=(mote,)))
    shadow = (dusty / clean)[0]
    assert 1 - shadow[100, 200] == pytest.approx(0.1024, abs=1e-4)
    assert shadow[100, 208] == 1
    assert shadow[100, 206] < 1


def test_lamps_scale_the_frame_and_ripple_bands_it():
    scene = make_scene(chart=False)
    plain = render_light(scene)
    drifted = render_light(replace(scene, lighting=Lighting(level=0.93)))
    assert drifted == pytest.approx(plain * 0.93, rel=1e-5)
    lamps = Lighting(gradient=(0.03, -0.02), bowl=-0.1)
    lit = render_light(replace(scene, lighting=lamps)) / plain
    height, width = lit.shape[1:]
    y, x = (np.mgrid[:height, :width] - np.array([(height - 1) / 2, (width - 1) / 2])[:, None, None]) / np.hypot(
        width / 2, height / 2
    )
    assert lit[0] == pytest.approx(1 + 0.03 * x - 0.02 * y - 0.1 * (x**2 + y**2), abs=1e-3)
    banded = render_light(replace(scene, lighting=Lighting(ripple_frac=0.02, ripple_period_px=96.0)))
    assert (banded / plain)[0, 24, 5] == pytest.approx(1.02, abs=1e-5)


@pytest.mark.parametrize(
    ("tilt_um", "deg"), [((30.0, 0.0), 0), ((0.0, 30.0), 90), ((-3.0, 3.0), 135), ((0.0, -5.0), 270)]
)
def test_the_direction_of_a_true_tilt_runs_from_right_to_down(tilt_um, deg):
    truth = describe_centring(Lens(aberrations=Aberrations(tilt_um=tilt_um)), make_scene(1296, 864).frame)
    assert truth["tilt"]["direction_deg"] == pytest.approx(deg)
    assert truth["tilt"]["slope_um_per_half_diagonal"] == pytest.approx(np.hypot(*tilt_um))


def test_zone_truth_is_that_of_its_place_and_mirrors():
    lens = Lens(f_number=2.0, aberrations=Aberrations(blur_um=2.0, tangential_growth_um=3.0, tilt_um=(30.0, 0.0)))
    pose = Pose(magnification_frac=0.0107)
    truth = describe_truth(make_scene(1296, 864, lens=lens, pose=pose), ZoneLimits())
    turned = replace(lens, aberrations=replace(lens.aberrations, tilt_um=(-30.0, 0.0)))
    mirrored = describe_truth(make_scene(1296, 864, lens=turned, pose=pose), ZoneLimits())
    green = truth["zones"]["green"]
    assert green["upper_left"]["tangential_cy_per_px"] < green["upper_left"]["sagittal_cy_per_px"]
    assert green["upper_left"]["mean_cy_per_px"] == pytest.approx(
        mirrored["zones"]["green"]["upper_right"]["mean_cy_per_px"]
    )
    # at 0.8 of the half-diagonal, so that the discs about it bracket it
    discs = {tuple(disc["node"]): disc["planes"]["green"]["mtf50_cy_per_px"] for disc in truth["discs"]}
    assert green["upper_left"]["disc_count"] == 6
    corner = np.array([green["upper_left"][f"{way}_cy_per_px"] for way in ("sagittal", "tangential")])
    assert (corner > discs[0, 0]).all()
    assert (corner < discs[2, 1]).all()
    # whatever lattice hangs there
    small = describe_truth(
        make_scene(1296, 864, lens=lens, pose=replace(pose, magnification_frac=0.0097)), ZoneLimits()
    )
    assert small["zones"]["green"]["upper_left"]["mean_cy_per_px"] == pytest.approx(corner.mean())


def test_bend_truth_of_one_coefficient():
    # k w^2 / 2 of the height and k h^2 / 2 of the width; 3:2 and k = -0.02 give -0.692 % and -0.308 %
    lens = Lens(distortion=Distortion(k1=-0.02))
    bend = describe_truth(make_scene(lens=lens), ZoneLimits())["distortion"]
    assert bend["border_bend_pct"]["top"] == pytest.approx(-0.692, abs=2e-3)
    assert bend["border_bend_pct"]["left"] == pytest.approx(-0.308, abs=2e-3)
    for side, opposite in (("top", "bottom"), ("left", "right")):
        assert bend["lattice_bend_pct"][side] < 0
        assert bend["lattice_bend_pct"][side] == pytest.approx(bend["lattice_bend_pct"][opposite], abs=5e-3)


@pytest.mark.parametrize("sign", [1, -1])
def test_the_radii_of_curvature_of_an_oval_edge_are_those_at_its_ends_and_sides(sign):
    # r = R (1 + e cos 2t): the curvature at an axis is (r - r'') / r^2
    radius, e = 20.0, 0.05
    edge = np.zeros((1, 2 * HARMONICS + 1))
    edge[0, 0], edge[0, 3] = radius, sign * e * radius
    bounds = [radius * (1 + s * e) ** 2 / (1 + s * 5 * e) for s in (1, -1)]
    assert _bound_radii(edge) == pytest.approx(sorted(bounds), rel=1e-6)


def test_a_near_shot_is_of_a_print_that_looks_alike_and_blurs_more_only_by_growth_and_fault():
    scene = make_scene()
    plain, grown, soft = (
        place_near(scene, faults, growth)
        for faults, growth in (((), 0.0), ((), 3.0), ((Fault(name="near_softness", severity=0.5),), 3.0))
    )
    blur = scene.lens.aberrations.blur_um
    assert plain.lens.aberrations.blur_um == blur
    assert grown.lens.aberrations.blur_um == pytest.approx(blur + 3 * NEAR_MAGNIFICATION)
    assert soft.lens.aberrations.blur_um == pytest.approx(blur + (3 + 0.5 * NEAR_BLUR_UM) * NEAR_MAGNIFICATION)
    near, far = ((each.layout.pitch_mm, each.layout.disc_diameter_mm) for each in (plain, scene))
    assert np.multiply(near, NEAR_MAGNIFICATION) == pytest.approx(np.multiply(far, scene.pose.magnification_frac))


def test_truth_is_rounded_to_nine_decimals_at_any_depth():
    found = round_numbers({"a": 0.1234567891234, "b": [1 / 3, {"c": (2 / 3,)}], "d": 7, "e": "0.12345678912"})
    assert found == {"a": 0.123456789, "b": [0.333333333, {"c": [0.666666667]}], "d": 7, "e": "0.12345678912"}
