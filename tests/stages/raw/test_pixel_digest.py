"""The digest of a frame's pixels only, for frames with content."""

import numpy as np
import pytest
import tifffile

from glasswright_camera import decode_raw
from glasswright_camera.raw.pixel_digest import EVERY, digest_pixels
from support.frames import make_shot, make_stand, noisy_frame, save_data, write_dng

TAKEN_AT, LENS_SERIAL, ASCII = 36867, 42037, 2


def digest(path, role="chart", **stand):
    return decode_raw(make_shot(path, role), make_stand(**stand)).name_content()


def test_metadata_and_storage_do_not_change_it_and_pixels_do(tmp_path):
    frame, other = noisy_frame(), noisy_frame(seed=2)
    sound = digest(write_dng(tmp_path / "a.dng", frame))
    assert len(sound) == 64
    again = [(TAKEN_AT, ASCII, 0, "2026:03:09 10:00:00", True), (LENS_SERIAL, ASCII, 0, "C50-2", True)]
    assert digest(write_dng(tmp_path / "b.dng", frame, extra=again, storage={"rowsperstrip": 7})) == sound
    assert digest(write_dng(tmp_path / "c.dng", frame, black=(500, 500, 500, 500), white=16000)) == sound
    assert digest(write_dng(tmp_path / "d.dng", other)) != sound


def test_the_stands_settings_do_not_change_it(tmp_path):
    frame = noisy_frame()
    path = write_dng(tmp_path / "a.dng", frame)
    response = save_data(tmp_path / "map.npy", np.full(frame.shape, 1.01, np.float32))
    assert digest(path, white_dn=15000, black_dn=500, sensor_map=response) == digest(path)
    image = tmp_path / "a.tif"
    tifffile.imwrite(image, frame * 8, photometric="minisblack")
    assert digest(image, monochrome=True, transfer="srgb") == digest(image, monochrome=True, transfer="linear")


def test_only_pixels_in_used_rows_change_it():
    # a quarter of the pattern's rows is enough to know a frame by: noise is in every row
    frame = noisy_frame()[None]
    for row, changes in ((0, True), (1, True), (2, False), (2 * EVERY, True), (2 * EVERY - 1, False)):
        altered = frame.copy()
        altered[0, row, 5] += 1
        assert (digest_pixels(altered, 2) != digest_pixels(frame, 2)) is changes, row


def test_shape_and_type_count():
    frame = noisy_frame(96, 160)[None]
    digests = {digest_pixels(values, 2) for values in (frame, frame.reshape(1, 192, 80), frame.astype(np.uint32))}
    assert len(digests) == 3


@pytest.mark.parametrize("value", [0, 512])
def test_a_frame_of_one_value_and_a_few_defects_has_no_digest(value):
    frame = np.full((1, 400, 600), value, np.uint16)
    frame[0, 7, 7] = frame[0, 70, 77] = 4000
    assert digest_pixels(frame, 2) == ""
    assert digest_pixels(np.full((1, 1, 1), value, np.uint16), 2) == ""


def test_a_dark_with_noise_has_a_digest():
    generator = np.random.default_rng(3)
    darks = [np.rint(generator.normal(512, 0.5, (1, 400, 600))).astype(np.uint16) for _ in range(2)]
    assert len({digest_pixels(dark, 2) for dark in darks} - {""}) == 2


def test_each_site_of_the_pattern_has_its_own_black_and_that_is_no_content():
    frame = np.zeros((96, 160), np.uint16)
    for site, black in enumerate((510, 511, 512, 513)):
        frame[site // 2 :: 2, site % 2 :: 2] = black
    assert digest_pixels(frame[None], 2) == ""


@pytest.mark.parametrize(("count", "has_content"), [(9, False), (10, True)])
def test_a_frame_has_content_if_one_pixel_in_a_thousand_is_unlike_its_neighbour(count, has_content):
    # 100 x 100 of the frame's pixels are compared, each with the one a period of the pattern beside it
    frame = np.full((1, 7 * 99 + 3, 7 * 99 + 3), 500, np.uint16)
    frame[0, : 7 * count : 7, 0] += 1
    assert bool(digest_pixels(frame, 2)) == has_content
