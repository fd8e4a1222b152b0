"""Shadows on flats: width and depth, causes, properties, poor data, rehearsed dirt."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import CaptureFacts, Unmeasurable
from glasswright_camera import find_spots, map_spots
from glasswright_camera.light.dark import DarkShot
from glasswright_camera.spots.candidates import Band, _find_in_band, even_out, split_bands
from glasswright_camera.spots.origin import Origin, Shadow, find_origin, list_shadows, name_kind
from glasswright_camera.spots.result import SpotMap
from glasswright_camera.spots.shape import Extent, follow_depth
from glasswright_camera.stand import Mote
from glasswright_rehearsal import Dust, Frame, Lens, Scene, mosaic_sensor
from glasswright_rehearsal.faults.dirt import draw_dirt
from glasswright_rehearsal.faults.kinds import Fault
from glasswright_rehearsal.night.stand_files import SOURCE
from glasswright_rehearsal.scene.lens import Falloff
from support.frames import make_flat_field, make_mosaic, make_stand
from support.rehearsed_shots import take_shot

PITCH_UM = 6.0
STAND = make_stand(pixel_pitch_um=PITCH_UM)
SIZE = (360, 540)


def shadow(x, y, width, depth, *, size=SIZE):
    """A round shadow with a soft rim, as a factor of the light."""
    rows, columns = np.mgrid[: size[0], : size[1]].astype(float)
    return 1 - depth * np.clip((width / 2 - np.hypot(columns - x, rows - y)) / 2, 0, 1)


def flat(*shadows, level=0.6, seed=1, f_number=8.0, full_well=45_000, size=SIZE):
    light = level * np.prod([np.ones(size), *shadows], axis=0)
    mosaic = make_mosaic(light, full_well=full_well, seed=seed)
    return replace(mosaic, facts=CaptureFacts(f_number=f_number))


@pytest.mark.parametrize(("width", "depth"), [(10, 0.1), (24, 0.03), (60, 0.01)])
def test_a_shadow_is_measured(width, depth):
    found = map_spots(flat(shadow(201.3, 150.7, width, depth)))
    assert found.spot_count == 1
    assert found.place_px[0] == pytest.approx((201.3, 150.7), abs=0.06 * width)
    assert found.size_px[0] == pytest.approx(width, rel=0.1)
    assert found.depth[0] == pytest.approx(depth, rel=0.1)
    assert found.f_number == 8.0


def test_a_clean_field_has_no_spots():
    for seed in range(3):
        assert map_spots(flat(seed=seed)).spot_count == 0


def test_steep_falloff_is_no_spot():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    half = np.hypot(*SIZE) / 2
    square = ((x - SIZE[1] / 2) ** 2 + (y - SIZE[0] / 2) ** 2) / half**2
    assert map_spots(flat(np.exp2(-1.6 * square))).spot_count == 0


@pytest.mark.parametrize("turn_deg", [33.69, 146.31, 213.69, 326.31])
@pytest.mark.parametrize("loss_ev", [0.5, 0.9])
def test_an_obstruction_of_a_corner_is_no_spot(turn_deg, loss_ev):
    rows, columns = 576, 864
    y, x = np.mgrid[:rows, :columns].astype(float)
    half, turn = np.hypot(rows, columns) / 2, np.deg2rad(turn_deg)
    x, y = (x - columns / 2) / half, (y - rows / 2) / half
    towards = np.maximum(x * np.cos(turn) + y * np.sin(turn), 0)
    field = np.exp2(-0.3 * (x**2 + y**2) - loss_ev * towards**4)
    found = map_spots(flat(field, size=(rows, columns), seed=7))
    assert found.spot_count == 0, found.place_px


def test_a_long_mark_that_runs_out_of_the_frame_is_found():
    rows, columns = 576, 864
    y, x = np.mgrid[:rows, :columns].astype(float)
    across, along = x - 400 - 0.2 * y, y
    mark = 1 - 0.03 * np.clip(9 - np.abs(across), 0, 4) / 4 * (along < 260)
    found = map_spots(flat(mark, size=(rows, columns)))
    assert found.spot_count == 1
    assert found.length_ratio[0] > 2.5


def along_border(side, away, width, depth, length, size=(576, 864)):
    """A long soft mark, its middle line `away` from the left or lower border, as a factor of the light."""
    rows, columns = np.mgrid[: size[0], : size[1]].astype(float)
    across, along = (columns, rows - size[0] / 2) if side == "left" else (size[0] - 1 - rows, columns - size[1] / 2)
    return 1 - depth * np.clip((width / 2 + 2 - np.abs(across - away)) / 4, 0, 1) * (np.abs(along) < length / 2)


def fall_off(corner_ev, size=(576, 864)):
    rows, columns = np.mgrid[: size[0], : size[1]].astype(float)
    half = np.hypot(*size) / 2
    square = ((columns - size[1] / 2) ** 2 + (rows - size[0] / 2) ** 2) / half**2
    return np.exp2(-corner_ev * square)


@pytest.mark.parametrize("side", ["left", "lower"])
@pytest.mark.parametrize("away", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(("width", "depth"), [(4, 0.05), (20, 0.02), (50, 0.05)])
def test_a_mark_along_the_border_is_found(side, away, width, depth):
    """Its middle line on the border, half its width from it, and beside it."""
    found = map_spots(flat(along_border(side, away * width, width, depth, 320), fall_off(0.8), size=(576, 864)))
    assert found.spot_count == 1
    assert found.length_ratio[0] > 4
    assert found.depth[0] == pytest.approx(depth, rel=0.25)


@pytest.mark.parametrize("soft", [10, 30, 60])
@pytest.mark.parametrize("edge", [0, 20, 40])
def test_a_side_in_the_shade_of_a_part_is_no_mark(edge, soft):
    columns = np.mgrid[:576, :864][1].astype(float)
    shade = 1 - 0.4 * np.clip((edge + soft - columns) / soft, 0, 1)
    assert map_spots(flat(shade, fall_off(0.5), size=(576, 864))).spot_count == 0


@pytest.mark.parametrize("f_numbers", [(8,), (5.6, 16)])
def test_a_rehearsed_scratch_along_the_border_is_named(f_numbers):
    frame = Frame(width_px=1296, height_px=864, pitch_um=PITCH_UM)
    dirt = draw_dirt(Fault(name="scratched", direction_deg=90.0), frame)
    # along the lower border, the same distance from it at each place
    moved = tuple(replace(mote, y_px=864.0 - 60.0) for mote in dirt)
    found, _ = rehearsed("none", *f_numbers, motes=moved, frame=frame)
    assert [each for each in found.kind if each != "sensor_dust"] == ["scratch"]
    assert found.lens_deepest_pct > 1


def test_single_hot_and_dead_pixels_are_no_spots():
    mosaic = flat()
    values = mosaic.values.copy()
    values[0, 100, 100], values[0, 200, 301], values[0, 50, 400] = 512, 16000, 600
    assert map_spots(replace(mosaic, values=values)).spot_count == 0


def test_shallow_shadows_are_left_out_by_the_setting():
    mosaic = flat(shadow(200, 150, 60, 0.01))
    assert map_spots(mosaic, least_depth_frac=0.02).spot_count == 0


@settings(max_examples=8, deadline=None)
@given(st.floats(0.3, 0.8), st.integers(60, 460), st.integers(60, 300))
def test_exposure_does_not_matter_and_a_shift_shifts(level, x, y):
    found = map_spots(flat(shadow(x, y, 24, 0.05), level=level))
    assert found.place_px == pytest.approx(np.array([[x, y]]), abs=1)
    assert found.depth[0] == pytest.approx(0.05, rel=0.1)


def test_a_mirrored_frame_mirrors():
    mosaic = flat(shadow(150, 100, 30, 0.05), shadow(400, 250, 14, 0.08))
    turned = replace(mosaic, values=mosaic.values[:, ::-1, ::-1].copy(), pattern=mosaic.pattern[:, ::-1, ::-1].copy())
    one, other = map_spots(mosaic), map_spots(turned)
    assert other.spot_count == one.spot_count == 2
    mirrored = np.array([SIZE[1] - 1, SIZE[0] - 1]) - other.place_px
    assert np.sort(mirrored, axis=0) == pytest.approx(np.sort(one.place_px, axis=0), abs=0.1)


@pytest.mark.parametrize(("f_number", "kind"), [(8, "sensor_dust"), (800, "scratch")])
def test_a_long_mark_is_long(f_number, kind):
    # 30 um wide at f/8 cannot be from far off: a fibre on the sensor
    rows, columns = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    across = np.abs((columns - 250) * 0.6 - (rows - 180) * 0.8)
    along = np.abs((columns - 250) * 0.8 + (rows - 180) * 0.6)
    mark = 1 - 0.05 * ((across < 3) & (along < 90))
    found = map_spots(flat(mark, f_number=f_number))
    assert found.spot_count == 1
    assert found.length_ratio[0] > 5
    assert found.length_px[0] == pytest.approx(180, rel=0.3)
    assert find_spots((found,), None, STAND, None).kind == (kind,)


@pytest.mark.parametrize("turn", [0, 1])
def test_border_and_ends_of_a_long_mark_are_no_separate_marks(turn):
    # a soft band twice and a half as long as wide
    rows, columns = np.mgrid[: SIZE[turn], : SIZE[1 - turn]].astype(float)
    rows, columns = (rows, columns) if turn == 0 else (columns.T, rows.T)
    away = np.hypot(np.maximum(np.abs(columns - 270) - 45, 0), rows - 180)
    found = map_spots(flat(1 - 0.03 * np.clip((35 - away) / 25, 0, 1)))
    assert found.spot_count == 1
    assert found.length_ratio[0] > 2


def test_a_faint_shadow_is_found_down_to_the_detection_limit():
    faintest = map_spots(flat(), least_depth_frac=1e-4).faintest_depth_frac
    assert 1e-4 < faintest < 0.004
    assert map_spots(flat()).faintest_depth_frac == 0.004
    seen = [
        map_spots(flat(shadow(230, 170, 54, share * faintest), seed=seed), least_depth_frac=1e-4).spot_count
        for share in (0.4, 1.6)
        for seed in range(11, 17)
    ]
    assert sum(seen[:6]) <= 1
    assert sum(seen[6:]) >= 5


def make_shadow(f_number, size, depth=0.02, **changes):
    entries = {"place": np.array([100.0, 100.0]), "size_u": 0.03 * size, "depth_u": 1e-3, "length_ratio": 1.0}
    return Shadow(**{**entries, "f_number": f_number, "size": size, "depth": depth, **changes})


# widths in um by D = d + t/N of a mote of 20 um at t = 0.5, 1, 2 and 3 mm, at f/2.8, 4, 8, 16 and 22; by arithmetic
MOTES = {0.5: (199, 145, 82, 51, 43), 1.0: (377, 270, 145, 82, 65), 2.0: (734, 520, 270, 145, 111)}


@pytest.mark.parametrize("distance_mm", MOTES)
def test_two_apertures_separate_width_and_distance(distance_mm):
    widths = dict(zip((2.8, 4, 8, 16, 22), MOTES[distance_mm], strict=True))
    for pair in ((22, 8), (16, 4), (22, 2.8)):
        origin = find_origin([make_shadow(number, widths[number] / PITCH_UM) for number in pair])
        assert origin.distance * PITCH_UM / 1000 == pytest.approx(distance_mm, rel=0.02)
        assert origin.thing * PITCH_UM == pytest.approx(20, abs=1.5)


# light lost by that mote at t = 1 mm: (d N / t)^2
@pytest.mark.parametrize(("f_number", "width_um", "depth"), [(8, 145, 0.026), (16, 82, 0.10), (22, 65, 0.19)])
def test_with_one_aperture_the_object_is_taken_as_opaque(f_number, width_um, depth):
    origin = find_origin([make_shadow(f_number, width_um / PITCH_UM, depth)])
    assert origin.distance * PITCH_UM / 1000 == pytest.approx(1.0, rel=0.03)
    assert origin.thing * PITCH_UM == pytest.approx(20, rel=0.05)
    # with a note that a half transparent object would be nearer
    half_clear = f_number * width_um / (1 + np.sqrt(depth / 0.5)) / 1000
    assert abs(origin.distance * PITCH_UM / 1000 - half_clear) < 2.5 * origin.distance_u * PITCH_UM / 1000


@pytest.mark.parametrize(
    ("distance", "u", "thing", "long", "kind"),
    [
        (1.0, 0.2, 20, False, "sensor_dust"),
        (30.0, 5.0, 300, False, "lens_dust"),
        (30.0, 5.0, 2000, False, "patch"),
        (5.0, 2.0, 300, False, "unsure"),
        (np.nan, np.nan, 300, False, "unsure"),
        (1.0, 0.2, 20, True, "sensor_dust"),
        (30.0, 5.0, 300, True, "scratch"),
        (5.0, 2.0, 300, True, "scratch"),
    ],
)
def test_kinds(distance, u, thing, long, kind):
    origin = Origin(thing=thing, distance=distance, distance_u=u)
    assert name_kind(origin, long=long, stack=4.0, patch=700) == kind


def make_map(f_number, *rows, shot="flat/1", width=6000):
    """A map from (x, y, size, depth) rows."""
    table = np.array(rows, dtype=float).reshape(-1, 4)
    return SpotMap(
        shot=shot, width_px=width, height_px=4000, f_number=f_number, place_px=table[:, :2], size_px=table[:, 2],
        size_u_px=0.3 * np.ones(len(table)), depth=table[:, 3], depth_u=1e-3 * np.ones(len(table)),
        length_ratio=np.ones(len(table)), length_px=table[:, 2], spot_count=len(table),
        rim_px=np.full(len(table), np.nan), faintest_depth_frac=0.004,
    )  # fmt: skip


def test_shadows_only_at_wide_apertures_are_rejected_and_fixed_ones_kept():
    sharp, soft = make_map(16, (1000, 900, 14, 0.1)), make_map(8, (1001, 901, 24, 0.026), (3000, 2000, 300, 0.01))
    found = find_spots((soft, sharp), None, STAND, None)
    assert (found.kind, found.setting_count) == (("sensor_dust",), 2)
    assert found.distance_mm[0] == pytest.approx(0.96, abs=0.2)
    assert (found.lens_dust_count, found.lens_deepest_pct) == (0, 0.0)
    assert found.lens_deepest_pct_u > 0.2


def test_a_lens_shadow_over_listed_dust_counts_for_the_lens():
    stand = replace(STAND, dust=tuple(Mote(x_frac=x / 6000, y_frac=900 / 4000) for x in (1000, 4060, 2000)))
    shots = (make_map(8, (1001, 899, 60, 0.05), (4000, 900, 300, 0.05), (2200, 2000, 24, 0.026)),)
    found = find_spots(shots, None, stand, None)
    assert sorted(found.kind) == ["lens_dust", "sensor_dust", "sensor_dust"]
    assert found.new_sensor_dust_count == 1
    known = np.hypot(*(found.place_px - [1001, 899]).T) < 2
    assert found.is_known.tolist() == known.tolist()
    assert found.frame_px.tolist() == [6000, 4000]
    assert found.shadow_um == pytest.approx(found.shadow_px * STAND.sensor.pixel_pitch_um)
    assert found.notes[0] == (
        "dust in the lens at x 4000, y 900: a shadow 1.8 mm wide takes 5 % of the light, 12 mm in front of the sensor"
    )
    assert found.notes[-1].startswith("flats of one f-number only: distances assume opaque objects")


def test_objects_are_counted_by_kind():
    # at f/8 a shadow wider than 4 mm / 8 lies beyond the sensor's glass; one of 5 % of the light and 3 mm is a patch
    rows = [(4000, 900, 300, 0.05), (1000, 3000, 330, 0.05), (2500, 2000, 1500, 0.4), (5000, 3000, 1600, 0.4),
            (800, 800, 1400, 0.4), (3000, 500, 24, 0.026)]  # fmt: skip
    found = find_spots((make_map(8, *rows), make_map(np.nan, (2000, 3500, 100, 0.02))), None, STAND, None)
    table = {name: found.kind.count(name) for name in ("lens_dust", "patch", "scratch", "sensor_dust", "unsure")}
    assert table == {"lens_dust": 2, "patch": 3, "scratch": 0, "sensor_dust": 1, "unsure": 0}
    assert (found.lens_dust_count, found.patch_count, found.scratch_count) == (2, 3, 0)
    assert (found.sensor_dust_count, found.unsure_count) == (1, 0)
    nowhere = find_spots((make_map(np.nan, (4000, 900, 300, 0.05), (1000, 900, 200, 0.05)),), None, STAND, None)
    assert (nowhere.unsure_count, nowhere.lens_dust_count, nowhere.patch_count) == (2, 0, 0)


def test_flats_at_wide_apertures_only_set_a_caveat():
    opened, closed = (
        find_spots((make_map(2),), None, STAND, None),
        find_spots((make_map(2), make_map(8)), None, STAND, None),
    )
    assert opened.caveats == ("flats_too_open",)
    assert "no flat is stopped down to f/5.6" in opened.notes[0]
    assert (closed.caveats, closed.notes) == ((), ())
    assert (closed.lens_deepest_pct, closed.faintest_seen_pct) == (0.0, pytest.approx(0.4))
    assert closed.lens_deepest_pct_u == pytest.approx(0.4)


def test_the_uncertainty_of_the_deepest_spot_is_at_least_the_detection_limit():
    dim = replace(make_map(8, (4000, 900, 300, 0.006)), faintest_depth_frac=0.03)
    found = find_spots((dim,), None, STAND, None)
    assert found.lens_deepest_pct == pytest.approx(0.6)
    assert found.lens_deepest_pct_u == pytest.approx(3.0) == found.faintest_seen_pct
    assert find_spots((make_map(np.nan),), None, STAND, None).caveats == ("flats_too_open",)
    assert find_spots((make_map(4),), None, STAND, None, least_f_number=4.0).caveats == ()


def test_hot_pixels_come_from_darks():
    dark = DarkShot(
        shot="dark/1", width_px=6000, height_px=4000, level_dn=np.zeros((1, 2, 2)), noise_dn=np.ones((1, 2, 2)),
        declared_black_dn=np.zeros((1, 2, 2)), white_dn=16383.0, hot_pixel=np.array([[5, 6, 900], [7, 8, 800]]),
        hot_pixel_count=2,
    )  # fmt: skip
    other = replace(dark, hot_pixel=dark.hot_pixel[:1])
    assert find_spots((make_map(8),), (dark, other), STAND, None).hot_pixel_count == 1
    assert np.isnan(find_spots((make_map(8),), None, STAND, None).hot_pixel_count)


def test_a_flat_that_stands_apart_from_its_repeats_shows_nothing():
    odd = replace(make_map(8, (4000, 900, 300, 0.5)), shot="flat/9")
    good = replace(make_map(8), shot="flat/1")
    together = replace(make_flat_field(np.hypot, size=(100, 80)), shots=("flat/1", "flat/2"))
    found = find_spots((good, odd), None, STAND, (together,))
    assert (found.lens_deepest_pct, found.caveats) == (0.0, ("flats_left_out",))
    assert "flat/9 is left out, as it deviates from its repeats" in found.notes
    assert find_spots((good, odd), None, STAND, None).lens_deepest_pct == pytest.approx(50)
    with pytest.raises(Unmeasurable, match="none of the flat shots could be combined with its repeats"):
        find_spots((odd,), None, STAND, (together,))


def test_two_bodies_in_one_ticket():
    with pytest.raises(Unmeasurable, match="the flat shots are of 3000 x 4000 and 6000 x 4000 pixels: shots of two"):
        find_spots((make_map(8), make_map(8, width=3000)), None, STAND, None)


def test_a_shot_without_an_f_number_gives_no_distance():
    found = find_spots((make_map(np.nan, (4000, 900, 300, 0.05)),), None, STAND, None)
    assert found.kind == ("unsure",)
    assert "a shadow of unknown origin at x 4000, y 900" in found.notes[0]


FRAME = Frame(width_px=1008, height_px=672, pitch_um=PITCH_UM)
MOTE = Dust(x_px=200, y_px=500, diameter_um=20, distance_um=1000)


def rehearsed(fault, *f_numbers, motes=(MOTE,), stand=STAND, frame=FRAME, severity=1.0, direction_deg=250.0):
    dirt = draw_dirt(Fault(name=fault, severity=severity, direction_deg=direction_deg), frame)
    maps = []
    for number in f_numbers:
        scene = Scene(
            frame=frame,
            lens=Lens(f_number=number, falloff=Falloff(corner_ev=0.8)),
            sensor=mosaic_sensor("RGGB", hot_count=20),
            lighting=replace(SOURCE, exposure_frac=0.62),
            dust=(*motes, *dirt),
        )
        maps.append(map_spots(take_shot(scene, seed=int(10 * number + direction_deg), role="flat")))
    return find_spots(tuple(maps), None, stand, None), dirt


def test_rehearsed_dust_on_the_sensor():
    found, _ = rehearsed("none", 4, 8, 16)
    assert found.kind == ("sensor_dust",)
    # measured: 1.0 mm, 20 um
    assert found.distance_mm[0] == pytest.approx(1.0, abs=0.15)
    assert found.thing_um[0] == pytest.approx(20, abs=8)
    assert found.lens_deepest_pct == 0


def test_two_motes_side_by_side_are_no_scratch_on_the_lens():
    pair = (MOTE, replace(MOTE, x_px=225, y_px=514))
    found, _ = rehearsed("none", 5.6, motes=pair)
    assert set(found.kind) == {"sensor_dust"}


# other sizes, places and strengths than those on which limits were set
@pytest.mark.parametrize(
    ("severity", "direction_deg", "f_numbers"), [(0.8, 31.0, (2.8, 5.6)), (1.3, 157.0, (8,)), (1.0, 318.0, (4, 8, 16))]
)
@pytest.mark.parametrize(("fault", "kind"), [("lens_dust", "lens_dust"), ("fungus", "patch"), ("scratched", "scratch")])
def test_rehearsed_dirt_is_found_and_named(fault, kind, severity, direction_deg, f_numbers):
    frame = Frame(width_px=1296, height_px=864, pitch_um=PITCH_UM)
    found, dirt = rehearsed(fault, *f_numbers, frame=frame, severity=severity, direction_deg=direction_deg)
    # at the lower f-numbers a shadow may hide the mote on the sensor
    assert [each for each in found.kind if each != "sensor_dust"] == [kind]
    at = found.kind.index(kind)
    middle = np.mean([(mote.x_px, mote.y_px) for mote in dirt], axis=0)
    assert found.place_px[at] == pytest.approx(middle, abs=0.025 * frame.width_px)
    assert found.lens_deepest_pct > 1
    assert found.caveats == ()
    if fault == "lens_dust":
        deep = 100 * (dirt[0].diameter_um * f_numbers[-1] / dirt[0].distance_um) ** 2
        assert abs(found.lens_deepest_pct - deep) < 3 * found.lens_deepest_pct_u
        assert abs(found.distance_mm[at] - dirt[0].distance_um / 1000) < 3 * found.distance_u_mm[at]


def test_a_fleck_over_listed_dust_is_found():
    frame = Frame(width_px=1296, height_px=864, pitch_um=PITCH_UM)
    (fleck,) = draw_dirt(Fault(name="lens_dust", direction_deg=250.0), frame)
    under = replace(MOTE, x_px=fleck.x_px + 45, y_px=fleck.y_px - 40)
    stand = replace(STAND, dust=(Mote(x_frac=under.x_px / frame.width_px, y_frac=under.y_px / frame.height_px),))
    found, _ = rehearsed("lens_dust", 8, motes=(under,), stand=stand, frame=frame)
    assert found.lens_dust_count == 1
    assert found.lens_deepest_pct == pytest.approx(100 * (1.3 / 4) ** 2, abs=3 * found.lens_deepest_pct_u + 0.5)


def test_uncertainties_of_faint_motes_have_their_coverage():
    errors = []
    for seed in range(6):
        generator = np.random.default_rng(900 + seed)
        motes = []
        for column in range(4):
            depth, distance = generator.uniform(0.006, 0.03), generator.uniform(800, 4000)
            motes.append(
                Dust(
                    x_px=150 + 230 * column,
                    y_px=generator.uniform(150, 520),
                    diameter_um=distance / 8 * np.sqrt(depth),
                    distance_um=distance,
                )
            )
        scene = Scene(
            frame=FRAME, lens=Lens(f_number=8, falloff=Falloff(corner_ev=0.5)), sensor=mosaic_sensor("RGGB"),
            lighting=replace(SOURCE, exposure_frac=0.62), dust=tuple(motes),
        )  # fmt: skip
        seen = list_shadows(map_spots(take_shot(scene, seed=seed, role="flat")))
        for mote in motes:
            each = min(seen, key=lambda one: np.hypot(*(one.place - [mote.x_px, mote.y_px])))
            errors.append((each.depth - (8 * mote.diameter_um / mote.distance_um) ** 2) / each.depth_u)
    assert len(errors) == 24
    assert 0.4 < np.sqrt(np.mean(np.square(errors))) < 1.5


def test_a_band_without_noise_shows_nothing_whatever_stands_in_it():
    assert _find_in_band(Band(values=np.ones((8, 8), np.float32), noise=0.0, level=0)) == []


def test_listed_motes_in_a_row_are_no_long_mark():
    # seen together in a wide band, where both are fainter than noise lets an outline be followed
    size = (768, 1152)
    pair = shadow(328, 438, 33, 0.0101, size=size), shadow(444, 474, 33, 0.0089, size=size)
    for seed in range(4):
        found = map_spots(flat(*pair, seed=seed, full_well=45_000, size=size))
        assert found.spot_count == 2, found.place_px
        assert found.length_ratio == pytest.approx(1)


def test_depth_of_a_faint_long_mark_is_not_that_of_the_noise():
    # 0.8 %; a cell's noise is 0.6 %
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    mark = 1 - 0.008 * ((np.abs(y - 180) < 8) & (np.abs(x - 270) < 120))
    depths = [map_spots(flat(mark, seed=seed, full_well=12_000)).depth[0] for seed in range(4)]
    assert np.mean(depths) == pytest.approx(0.008, rel=0.05)


def test_noise_of_a_band_is_the_same_at_the_border():
    rng = np.random.default_rng(3)
    border, inside = [], []
    for _ in range(8):
        light = (1 + 0.004 * rng.standard_normal((300, 420))).astype(np.float32)
        for band in split_bands(*even_out(light))[:2]:
            values = band.values / band.noise
            border.append(np.concatenate([values[:2].ravel(), values[-2:].ravel(), values[:, :2].ravel()]).std())
            inside.append(values[16:-16, 16:-16].std())
    assert np.mean(border) == pytest.approx(np.mean(inside), rel=0.03)


@pytest.mark.parametrize("turn_deg", [0, 20, 45, 70])
@pytest.mark.parametrize(("narrow", "wide"), [(0.29, 0.5), (1.2, 2.7), (0.3, 12)])
def test_depth_of_a_small_mark_is_that_of_its_cells(turn_deg, narrow, wide):
    # as small as a cell, its middle where four cells meet
    y, x = np.mgrid[:40, :60] - np.array([19.5, 29.5])[:, None, None]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    away = np.hypot(np.maximum(np.abs(c * x + s * y) - 2 * wide, 0), np.maximum(np.abs(c * y - s * x) - 2 * narrow, 0))
    residual = np.where(away < 1.5, -0.1, 0.0).astype(np.float32)
    turn = np.array([[c, -s], [s, c]])
    whole = Extent(place=np.array([29.5, 19.5]), spread=turn @ np.diag([wide**2, narrow**2]) @ turn.T)
    depth = follow_depth(residual, whole)
    assert np.isfinite(depth).any()
    assert np.nanmean(depth) == pytest.approx(0.1, abs=1e-6)


@pytest.mark.parametrize(
    ("in_shots", "noise_u", "count"),
    [((0,), 0.0015, 0), ((0, 2), 0.0015, 1), ((1,), 0.0005, 1), ((0, 1, 2), 0.0015, 1)],
)
def test_a_faint_shadow_in_one_of_three_shots_is_noise(in_shots, noise_u, count):
    one = map_spots(flat(shadow(201, 150, 20, 0.009), full_well=200_000))
    one = replace(one, depth=np.array([0.008]), depth_u=np.array([noise_u]))
    none = map_spots(flat(seed=3))
    maps = tuple(replace(one if k in in_shots else none, shot=f"flat/{k}") for k in range(3))
    assert find_spots(maps, None, STAND, None).sensor_dust_count == count
