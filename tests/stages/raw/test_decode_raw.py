"""Intact files are decoded bit by bit, each site with its colour and black level."""

import gc
import re

import numpy as np
import pytest
import rawpy
from hypothesis import given, settings
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import decode_raw
from support.frames import (
    BGGR,
    GBRG,
    GRBG,
    RGGB,
    X_TRANS,
    make_shot,
    make_stand,
    noisy_frame,
    save_data,
    write_dng,
    write_monochrome,
)

PLANES = ("red", "green", "blue")
JPEG = {"compression": 7, "compressionargs": {"lossless": True, "bitspersample": 14}}


def decode(path, role="chart", **sensor):
    return decode_raw(make_shot(path, role), make_stand(**sensor))


@pytest.mark.parametrize("cfa", [RGGB, GRBG, GBRG, BGGR])
def test_every_bayer_phase_comes_back_exactly(tmp_path, cfa):
    values = noisy_frame()
    mosaic = decode(write_dng(tmp_path / "a.dng", values, cfa=cfa, black=(510, 511, 512, 513)))
    assert np.array_equal(mosaic.values[0], values)
    assert mosaic.planes == PLANES
    assert mosaic.pattern.tolist() == [np.reshape(cfa, (2, 2)).tolist()]
    assert mosaic.black_dn.tolist() == [[[510, 511], [512, 513]]]
    assert mosaic.white_dn == 16383


@pytest.mark.parametrize(
    "storage", [{}, {"rowsperstrip": 7}, {"tile": (32, 48)}, JPEG], ids=["strip", "strips", "tiles", "jpeg"]
)
def test_every_storage_comes_back_exactly(tmp_path, storage):
    values = noisy_frame()
    assert np.array_equal(decode(write_dng(tmp_path / "a.dng", values, storage=storage)).values[0], values)


@settings(max_examples=25, deadline=None)
@given(top=st.integers(0, 9), left=st.integers(0, 9), cfa=st.sampled_from([RGGB, GRBG, GBRG, BGGR]))
def test_margins_shift_the_phase_and_nothing_else(tmp_path_factory, top, left, cfa):
    # a pixel keeps its plane wherever the active area begins; a DNG's pattern starts at the active area
    values = noisy_frame()
    area = (50829, 4, 4, (top, left, 90, 150), True)
    path = write_dng(tmp_path_factory.mktemp("dng") / "a.dng", values, cfa=cfa, extra=[area])
    mosaic = decode(path)
    skipped_y, skipped_x = top + top % 2, left + left % 2  # the reader begins on even rows and columns
    height, width = mosaic.values.shape[1:]
    assert np.array_equal(mosaic.values[0], values[skipped_y : skipped_y + height, skipped_x : skipped_x + width])
    expected = np.roll(np.reshape(cfa, (2, 2)), (-(top % 2), -(left % 2)), axis=(0, 1))
    assert mosaic.pattern[0].tolist() == expected.tolist()


@settings(max_examples=15, deadline=None)
@given(top=st.integers(0, 5), left=st.integers(0, 5))
def test_blacks_stay_with_their_sites_or_the_file_is_refused(tmp_path_factory, top, left):
    area = (50829, 4, 4, (top, left, 90, 150), True)
    path = write_dng(tmp_path_factory.mktemp("dng") / "a.dng", noisy_frame(), black=(512, 513, 514, 515), extra=[area])
    if top % 2 == left % 2 == 0:
        assert decode(path).black_dn[0].tolist() == [[512, 513], [514, 515]]
        return
    with pytest.raises(
        Unmeasurable, match=r"it misplaces them where the active area starts on an odd row or column\): give `black_dn`"
    ):
        decode(path)
    assert decode(path, black_dn=512.0).black_dn.tolist() == [[[512, 512], [512, 512]]]


def test_odd_margins_with_differing_blacks_are_refused_with_both_readings(tmp_path):
    area = (50829, 4, 4, (1, 0, 90, 150), True)
    path = write_dng(tmp_path / "a.dng", noisy_frame(), black=(512, 513, 514, 515), extra=[area])
    with pytest.raises(Unmeasurable) as caught:
        decode(path)
    assert str(caught.value) == (
        "the file's black levels are 514, 515, 512, 513, LibRaw gives 512, 513, 514, 515 (it misplaces them where the "
        "active area starts on an odd row or column): give `black_dn` for the stand's sensor"
    )


def test_x_trans_keeps_its_six_by_six_pattern(tmp_path):
    values = noisy_frame()
    mosaic = decode(write_dng(tmp_path / "a.dng", values, cfa=X_TRANS, black=(512,) * 36))
    assert np.array_equal(mosaic.values[0], values)
    assert mosaic.pattern[0].ravel().tolist() == list(X_TRANS)
    assert set(mosaic.black_dn.ravel()) == {512}


def test_monochrome_opens_only_if_the_stand_declares_it(tmp_path):
    values = noisy_frame()
    path = write_monochrome(tmp_path / "a.dng", values)
    mosaic = decode(path, monochrome=True)
    assert mosaic.planes == ("white",)
    assert mosaic.pattern.tolist() == [[[0]]]
    assert mosaic.black_dn.tolist() == [[[512]]]
    assert np.array_equal(mosaic.values[0], values)
    with pytest.raises(Unmeasurable) as caught:
        decode(path)
    assert str(caught.value) == (
        "the file has no colour filter pattern: either it was lost on the way (copy it again), or the body has no "
        "filter (then write `monochrome: true` for the stand's sensor)"
    )


def test_a_colour_file_on_a_monochrome_stand_is_refused(tmp_path):
    path = write_dng(tmp_path / "a.dng", noisy_frame())
    with pytest.raises(Unmeasurable) as caught:
        decode(path, monochrome=True)
    assert str(caught.value) == (
        "the stand file says `monochrome: true`, but the file has a colour filter pattern: is it from this body?"
    )


def test_the_stands_levels_replace_the_files(tmp_path):
    mosaic = decode(write_dng(tmp_path / "a.dng", noisy_frame()), black_dn=500.0, white_dn=15800.0)
    assert set(mosaic.black_dn.ravel()) == {500}
    assert mosaic.white_dn == 15800


def test_levels_that_cross_are_refused(tmp_path):
    with pytest.raises(Unmeasurable) as caught:
        decode(write_dng(tmp_path / "a.dng", noisy_frame()), white_dn=400.0)
    assert str(caught.value) == (
        "white (400) is not above black (512): the file's levels are wrong; give `black_dn` and `white_dn` for the "
        "stand's sensor"
    )


def test_the_mosaic_has_the_facts_of_the_shot(tmp_path):
    shot = make_shot(write_dng(tmp_path / "a.dng", noisy_frame()), "flat", exposure_time_s=0.25)
    mosaic = decode_raw(shot, make_stand())
    assert (mosaic.role, mosaic.shot, mosaic.facts) == ("flat", "flat/a.dng", shot.facts)


def test_the_pixels_stay_as_they_are_when_the_reader_is_gone(tmp_path):
    # they may be LibRaw's own memory, which their array must then keep
    frame = noisy_frame()
    mosaic = decode(write_dng(tmp_path / "a.dng", frame))
    base = mosaic.values
    while isinstance(base, np.ndarray):
        owner, base = base, base.base
    assert owner.flags.owndata or isinstance(base, rawpy.RawPy)
    for seed in range(2, 8):
        decode(write_dng(tmp_path / "b.dng", noisy_frame(seed=seed)))
    gc.collect()
    assert np.array_equal(mosaic.values[0], frame)


def test_a_sensor_map_is_divided_out_of_the_light_alone(tmp_path):
    response = np.random.default_rng(2).uniform(0.9, 1.1, (96, 160)).astype(np.float32)
    even = 5000.0
    values = np.rint(512 + even * response).astype(np.uint16)
    values[::2] += 2  # a stand's frames are never noiseless
    mosaic = decode(write_dng(tmp_path / "a.dng", values), sensor_map=save_data(tmp_path / "map.npy", response))
    assert np.abs(mosaic.values[0, 1::2] - 512.0 - even).max() <= 1.1  # both roundings, magnified by 1/0.9


def test_what_is_clipped_stays_clipped_under_a_sensor_map(tmp_path):
    values = noisy_frame()
    values[10, 20] = 16383
    response = np.full((96, 160), 1.25, np.float32)
    mosaic = decode(write_dng(tmp_path / "a.dng", values), sensor_map=save_data(tmp_path / "map.npy", response))
    assert mosaic.values[0, 10, 20] == 16383


def test_a_sensor_map_of_another_size_is_refused(tmp_path):
    file = save_data(tmp_path / "map.npy", np.ones((90, 160), np.float32))
    with pytest.raises(Unmeasurable) as caught:
        decode(write_dng(tmp_path / "a.dng", noisy_frame()), sensor_map=file)
    assert str(caught.value) == (
        "the sensor map map.npy is 160 x 90 pixels, the frame 160 x 96: is the shot from this body, and the map of "
        "its active area?"
    )


def test_a_sensor_map_with_dead_values_is_refused(tmp_path):
    response = np.ones((96, 160), np.float32)
    response[3, 4:6] = 0, np.nan
    file = save_data(tmp_path / "map.npy", response)
    with pytest.raises(Unmeasurable, match=r"map\.npy has 2 values that are not positive numbers: make it again$"):
        decode(write_dng(tmp_path / "a.dng", noisy_frame()), sensor_map=file)


def test_a_sensor_map_that_changed_since_is_refused(tmp_path):
    file = save_data(tmp_path / "map.npy", np.ones((96, 160), np.float32))
    np.save(tmp_path / "map.npy", np.full((96, 160), 2, np.float32))
    with pytest.raises(Unmeasurable, match=re.escape("has changed since the stand file was read: run again")):
        decode(write_dng(tmp_path / "a.dng", noisy_frame()), sensor_map=file)


def test_overexposure_is_reported_with_its_extent(tmp_path):
    values = noisy_frame()
    values[:48] = 16383
    path = write_dng(tmp_path / "a.dng", values)
    with pytest.raises(Unmeasurable) as caught:
        decode(path)
    assert str(caught.value) == "overexposed: 50 % of the pixels are clipped, more than 30 %; expose less"
    assert decode_raw(make_shot(path), make_stand(), clipped_limit_frac=0.6).white_dn == 16383


def test_underexposure_is_reported_with_its_level(tmp_path):
    path = write_dng(tmp_path / "a.dng", noisy_frame(level=670))
    with pytest.raises(Unmeasurable) as caught:
        decode(path)
    assert re.fullmatch(
        r"underexposed: the brightest hundredth of the frame has 1\.\d % of white, less than 2 %; expose more",
        str(caught.value),
    )
    assert decode(path, role="dark").role == "dark"
