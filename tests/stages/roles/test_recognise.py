"""Recognition of a frame's subject, which all stages that read flats use."""

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from glasswright import Unmeasurable
from glasswright_camera import (
    decode_raw,
    locate_chart,
    map_spots,
    reduce_black_spot,
    reduce_dark,
    reduce_flat,
)
from glasswright_camera.roles.recognise import ACCEPTED, recognise, refuse_other_role
from support import ROOT
from support.frames import X_TRANS, half_diagonals, make_mosaic, make_shot, make_stand, write_dng
from support.rehearsed_shots import make_lattice_scene, stand_for, take_shot

SIZE = (400, 600)
LIT = 0.5


def even(level=0.5, size=SIZE):
    x, y = half_diagonals(*size)
    return level * np.exp2(-1.2 * (x**2 + y**2))


def discs(pitch=50, radius=10, blur=1.0, depth=0.9, size=SIZE):
    """A lattice of dark discs with Gaussian blur; the depth is that of sharp discs."""
    y, x = np.mgrid[: size[0], : size[1]]
    away = np.hypot((x + pitch / 2) % pitch - pitch / 2, (y + pitch / 2) % pitch - pitch / 2)
    return 1 - depth * gaussian_filter(np.clip(radius - away + 0.5, 0, 1), blur)


def patch(size=SIZE, radius=35):
    y, x = np.mgrid[: size[0], : size[1]]
    return 1 - 0.97 * np.clip(radius - np.hypot(x - 280, y - 190) + 0.5, 0, 1)


def scene(seed=1, size=SIZE):
    """Rectangles of different light: houses, windows."""
    draw = np.random.default_rng(seed)
    picture = np.full(size, 0.5)
    for _ in range(200):
        y, x = draw.integers(0, size[0]), draw.integers(0, size[1])
        high, wide = draw.integers(5, size[0] // 4), draw.integers(5, size[1] // 4)
        picture[y : y + high, x : x + wide] = draw.uniform(0.05, 0.9)
    return picture


def seen(light, **changes):
    return recognise(make_mosaic(light, full_well=20000, **changes)).kind


@pytest.mark.parametrize("cfa", [(0, 1, 1, 2), X_TRANS, None])
def test_frames_are_recognised(cfa):
    assert seen(even(), cfa=cfa) == "even"
    assert seen(even() * discs(), cfa=cfa) == "lattice"
    assert seen(even() * patch(), cfa=cfa) == "patch"
    assert seen(scene(), cfa=cfa) == "scene"


# a Gaussian leaves exp(-2 (pi s / p)^2) of a wave of length p: 11 % at s = p / 3
@pytest.mark.parametrize("blur", [2, 5, 10, 16.7])
def test_a_lattice_is_recognised_far_out_of_focus(blur):
    assert seen(even() * discs(blur=blur)) == "lattice"


def test_bands_of_a_lamp_and_a_hard_edge_of_light_are_no_picture():
    bands = 1 + 0.2 * np.sin(2 * np.pi * np.arange(SIZE[0]) / 60)[:, None]
    assert seen(even() * bands) == "even"
    x, y = half_diagonals(*SIZE)
    assert seen(even() * np.where(np.hypot(x - 0.05, y) < 0.75, 1, 0.02)) == "even"
    assert seen(even() * np.where(x + 0.3 * y > 0.5, 0.3, 1) * bands) == "even"


def test_a_dark_region_with_detail_at_the_border_is_no_vignetting():
    light = even()
    light[:, :250] = 0.3 * scene()[:, :250]
    assert seen(light) == "scene"


def test_a_dark_fleck_is_no_patch():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    fleck = np.clip((40 - np.hypot(x - 280, y - 190)) / 34, 0, 1)
    assert seen(even() * (1 - fleck)) == "even"


@settings(max_examples=15, deadline=None)
@given(st.floats(0.15, 1.0), st.booleans(), st.booleans(), st.sampled_from(["even", "lattice", "patch", "scene"]))
def test_neither_exposure_nor_a_mirror_changes_what_it_is(level, turned, upside_down, kind):
    light = {"even": even(), "lattice": even() * discs(), "patch": even() * patch(), "scene": scene()}[kind]
    light = light[:: -1 if upside_down else 1, :: -1 if turned else 1]
    assert seen(level * light) == kind


LATTICE = (
    "It looks like a lattice of discs: move it to `chart/`, or to `focus_series/`, `ramp/`, `ramp_locked/`, "
    "`shake_off/` or `shake_on/`"
)
SCENE = "It looks like a picture of something with detail: it fits no role, so move it out of the ticket"
PATCH = "It looks like a black patch in an even field: move it to `black_spot/`"
PUT_ON = "; if it was shot as a dark, put the cap on and shoot it again"
EVEN = "It looks like an even field: move it to `flat/` or `panel/`"
NOT_DARK = "not dark: the brightest hundredth of the frame has 50 % of white above black. "


@pytest.mark.parametrize(
    ("role", "light", "message"),
    [
        ("flat", even() * discs(), f"not an even field, like the diffuse source. {LATTICE}"),
        ("panel", even() * discs(), f"not an even field, like a blank panel. {LATTICE}"),
        ("flat", scene(), f"not an even field, like the diffuse source. {SCENE}"),
        ("flat", even() * patch(), f"not an even field, like the diffuse source. {PATCH}"),
        ("black_spot", even() * discs(), f"not a black patch in an even field. {LATTICE}"),
        ("black_spot", scene(), f"not a black patch in an even field. {SCENE}"),
        ("dark", even(), NOT_DARK + EVEN + PUT_ON),
        ("dark", even() * discs(), NOT_DARK + LATTICE + PUT_ON),
    ],
)
def test_a_shot_of_something_else_is_refused_with_the_folder_it_belongs_in(role, light, message):
    with pytest.raises(Unmeasurable) as caught:
        refuse_other_role(make_mosaic(light, full_well=20000, role=role), LIT)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("role", "light", "brightest"),
    [
        ("flat", even(), LIT),
        ("panel", even(), LIT),
        ("black_spot", even() * patch(), LIT),
        ("black_spot", even() * patch(radius=7), LIT),
        ("dark", np.zeros(SIZE), 0.0),
        ("chart", scene(), LIT),
    ],
)
def test_a_shot_in_the_right_folder_is_accepted(role, light, brightest):
    refuse_other_role(make_mosaic(light, full_well=20000, role=role), brightest)


@pytest.mark.parametrize("planes", [(2.1, 2.1, 2.1), (1.0, 2.1, 0.8), (2.1, 0.5, 0.5), (2.6, 2.6, 2.6)])
def test_a_field_that_is_clipped_is_refused_whichever_colour_it_is(planes):
    mosaic = make_mosaic(np.stack([each * even() for each in planes]), full_well=30000)
    with pytest.raises(Unmeasurable, match=r"^overexposed: \d+ % of the field holds clipped pixels, more than 0.2 %"):
        refuse_other_role(mosaic, 1.0)


def test_hot_pixels_are_no_clipped_field():
    mosaic = make_mosaic(even(), full_well=20000)
    draw = np.random.default_rng(3)
    mosaic.values[0, draw.integers(0, SIZE[0], 60), draw.integers(0, SIZE[1], 60)] = 16383
    refuse_other_role(mosaic, LIT)


def test_a_dim_field_is_refused():
    with pytest.raises(Unmeasurable) as caught:
        refuse_other_role(make_mosaic(np.full(SIZE, 0.031), full_well=20000), LIT)
    assert str(caught.value) == "underexposed: the median light is 3.1 % of white, less than 5 %; expose more"


def test_decoding_refuses_a_chart_among_the_flats_and_a_frame_without_light(tmp_path):
    values = np.rint(512 + 15871 * np.random.default_rng(1).normal(0.5, 0.01, SIZE) * discs()).astype(np.uint16)
    path = write_dng(tmp_path / "chart.dng", values)
    decode_raw(make_shot(path, role="chart"), make_stand())
    for role in ("flat", "panel", "dark", "black_spot"):
        with pytest.raises(Unmeasurable, match=r"It looks like a lattice of discs: move it to `chart/`"):
            decode_raw(make_shot(path, role=role), make_stand())
    dark = np.rint(np.random.default_rng(1).normal(515, 5, SIZE)).astype(np.uint16)
    path = write_dng(tmp_path / "dark.dng", dark)
    decode_raw(make_shot(path, role="dark"), make_stand())
    with pytest.raises(Unmeasurable, match=r"expose more; if it is a dark frame, move it to `dark/`$"):
        decode_raw(make_shot(path, role="flat"), make_stand())


def test_the_message_of_a_frame_without_a_chart_says_what_it_shows():
    chart = make_lattice_scene(600, 400)
    stand = stand_for(chart)
    blank = take_shot(replace(chart, layout=None))
    with pytest.raises(Unmeasurable, match=r"; it looks like an even field: move it to `flat/` or `panel/`$"):
        locate_chart(blank, stand)


SIDES = st.one_of(st.integers(1, 60), st.integers(1, 420))


@settings(max_examples=60, deadline=None)
@given(SIDES, SIDES, st.sampled_from(["even", "noise", "black", "waves"]), st.sampled_from(["bayer", "xtrans", "mono"]))
def test_frames_of_any_size_are_measured_or_refused(height, width, content, sensor):
    size = (height, width)
    y, x = np.mgrid[:height, :width]
    light = {
        "even": np.full(size, 0.5),
        "noise": np.random.default_rng(height).uniform(0, 1, size),
        "black": np.zeros(size),
        "waves": 0.5 + 0.4 * np.sin(x / 7) * np.cos(y / 11),
    }[content]
    mosaic = make_mosaic(light, full_well=20000, cfa={"bayer": (0, 1, 1, 2), "xtrans": X_TRANS, "mono": None}[sensor])
    stand = make_stand()
    steps = [map_spots, reduce_flat, reduce_dark, reduce_black_spot, recognise, lambda each: locate_chart(each, stand)]
    steps += [lambda each, role=role: refuse_other_role(replace(each, role=role), LIT) for role in ACCEPTED]
    for step in steps:
        try:
            step(mosaic)
        except Unmeasurable as refusal:
            assert str(refusal)


@pytest.mark.parametrize("size", [(241, 393), (9, 9)])
def test_small_frames_end_with_a_reason_or_a_value(size):
    mosaic = make_mosaic(even(size=size), full_well=20000)
    if size == (9, 9):
        with pytest.raises(Unmeasurable) as caught:
            map_spots(mosaic)
        assert str(caught.value) == "the frame has 9 x 9 pixels; spots need at least 48 each way"
        with pytest.raises(Unmeasurable, match=r"^the frame has 9 x 9 pixels, too few to recognise it: at"):
            recognise(mosaic)
    else:
        assert map_spots(mosaic).spot_count == 0


def test_the_bench_catches_wrong_folders_and_no_faulty_lens():
    command = [sys.executable, "ci/bench_roles.py", "--quick"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "flats of sick lenses refused as no flat: 0 of 36" in done.stdout
