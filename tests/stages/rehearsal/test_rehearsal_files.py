"""The rehearsal's files as other software reads them, and the numbers in them."""

import struct
from fractions import Fraction

import exifread
import numpy as np
import pytest
import rawpy
import tifffile

from glasswright_rehearsal import Exif, Sensor, mosaic_sensor, render_dark, render_frame, write_dng
from glasswright_rehearsal.files.images import encode_picture, encode_transfer, write_picture
from glasswright_rehearsal.scene.sensor import BAYER, expose
from support.rehearsal_helpers import make_scene

EXIF = Exif(exposure_s=Fraction(1, 15), f_number=2.8, lens_model="Halden 85 mm f/1.8", lens_serial="H85-00042", iso=200)


def random_frame(height=96, width=144):
    return np.random.default_rng(3).integers(0, 16384, (1, height, width)).astype(np.uint16)


@pytest.mark.parametrize("phase", list(BAYER))
@pytest.mark.parametrize("lossless_jpeg", [False, True])
def test_bayer_dng_is_read_bit_for_bit_with_pattern_and_levels(tmp_path, phase, lossless_jpeg):
    frame, sensor = random_frame(), mosaic_sensor(phase)
    write_dng(tmp_path / "a.dng", frame, sensor, EXIF, lossless_jpeg=lossless_jpeg)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image, frame[0])
        # LibRaw numbers the second green 3
        planes = np.where(raw.raw_colors == 3, 1, raw.raw_colors)
        assert np.array_equal(planes[:2, :2], sensor.pattern_array()[0])
        # its black levels are listed by colour number, so this holds only if every site has its own
        black = np.array(raw.black_level_per_channel)[raw.raw_colors[:2, :2]]
        assert np.array_equal(black, np.array(sensor.black_dn))
        assert raw.white_level == 16383


def test_xtrans_dng_is_read_bit_for_bit(tmp_path):
    frame, sensor = random_frame(), mosaic_sensor("xtrans")
    write_dng(tmp_path / "a.dng", frame, sensor, EXIF)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image, frame[0])
        assert np.array_equal(raw.raw_pattern, sensor.pattern_array()[0])
        assert set(raw.black_level_per_channel[:3]) == {1022}


def test_monochrome_dng_is_read_bit_for_bit(tmp_path):
    frame = random_frame()
    write_dng(tmp_path / "a.dng", frame, mosaic_sensor("mono"), EXIF)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert np.array_equal(raw.raw_image, frame[0])
        assert raw.raw_pattern.shape == (1, 1)
    with tifffile.TiffFile(tmp_path / "a.dng") as file:
        assert file.pages[0].photometric == 34892  # LinearRaw


def test_tags_have_the_numbers_of_the_dng_and_exif_standards(tmp_path):
    write_dng(tmp_path / "a.dng", random_frame(), mosaic_sensor("GRBG"), EXIF)
    with tifffile.TiffFile(tmp_path / "a.dng") as file:
        tags = file.pages[0].tags
        assert tags[262].value == 32803  # PhotometricInterpretation: colour filter array
        assert tags[259].value == 1
        assert tuple(tags[33421].value) == (2, 2)
        assert bytes(tags[33422].value) == bytes([1, 0, 2, 1])
        assert bytes(tags[50706].value) == bytes([1, 4, 0, 0])
        assert tuple(tags[50713].value) == (2, 2)
        assert tuple(tags[50714].value) == (512, 514, 511, 513)
        assert tags[50717].value == 16383
        assert tags[272].value == "Ostrel D7"
        exif = tags[34665].value
        # the directory lies on a word boundary, as TIFF 6.0 asks, and before the pixels, as bodies write it
        (start,) = struct.unpack_from("<I", (tmp_path / "a.dng").read_bytes(), tags[34665].offset + 8)
        assert start % 2 == 0
        assert start < file.pages[0].dataoffsets[0]
    assert exif["LensSerialNumber"] == "H85-00042"


def test_exif_directory_is_read_by_two_readers(tmp_path):
    write_dng(tmp_path / "a.dng", random_frame(), Sensor(), EXIF)
    with (tmp_path / "a.dng").open("rb") as file:
        read = {name: str(value) for name, value in exifread.process_file(file).items()}
    assert read["EXIF ExposureTime"] == "1/15"
    assert read["EXIF FNumber"] == "14/5"
    assert read["EXIF FocalLength"] == "50"
    assert read["EXIF ISOSpeedRatings"] == "200"
    assert read["EXIF DateTimeOriginal"] == "2026:03:02 21:00:00"
    assert read["EXIF LensModel"] == "Halden 85 mm f/1.8"
    assert read["EXIF LensSerialNumber"] == "H85-00042"
    assert read["EXIF BodySerialNumber"] == "D7-0031"
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        assert (raw.other.aperture, raw.other.iso_speed) == (pytest.approx(2.8), 200)
        assert raw.lens.model == "Halden 85 mm f/1.8"


def test_same_frame_gives_the_same_bytes(tmp_path):
    for name in "ab":
        write_dng(tmp_path / name, random_frame(), Sensor(), EXIF)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


@pytest.mark.parametrize("ending", ["tif", "png"])
@pytest.mark.parametrize(("channels", "bits"), [(1, 16), (3, 8)])
def test_pictures_are_read_bit_for_bit(tmp_path, ending, channels, bits):
    import cv2

    raw = np.random.default_rng(1).integers(0, 65536, (channels, 40, 60)).astype(np.uint16)
    picture = encode_picture(raw, 65535, bits, "linear")
    assert picture.dtype == f"uint{bits}"
    path = tmp_path / f"a.{ending}"
    write_picture(path, picture)
    read = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert read.dtype == picture.dtype
    expected = picture[0] if channels == 1 else np.moveaxis(picture[::-1], 0, -1)
    assert np.array_equal(read, expected)


def test_srgb_curve():
    # IEC 61966-2-1: linear below 0.0031308; 0.18 is encoded as 0.4614
    values = encode_transfer(np.array([0.001, 0.18, 1.0]), "srgb")
    assert values == pytest.approx([0.01292, 0.46136, 1.0], abs=1e-5)
    assert encode_transfer(np.array([0.25]), 2.0) == pytest.approx(0.5)


def test_noise_has_the_mean_and_variance_of_shot_and_read_noise():
    # photon transfer: variance in electrons = mean + read noise squared, plus 1/12 DN^2 of rounding
    sensor = Sensor(full_well_e=45_000, read_noise_e=3.0)
    size, light = (1, 600, 600), 0.31
    raw = expose(np.full(size, light, dtype=np.float32), sensor, np.random.SeedSequence(5)).astype(float)[0]
    for y in (0, 1):
        for x in (0, 1):
            black = sensor.black_dn[y][x]
            site, gain = raw[y::2, x::2] - black, (16383 - black) / 45_000
            electrons = light * 45_000
            variance = (electrons + 9) * gain**2 + 1 / 12
            assert site.mean() == pytest.approx(electrons * gain, abs=5 * np.sqrt(variance / site.size))
            assert site.var() == pytest.approx(variance, rel=5 * np.sqrt(2 / site.size))


def test_dark_frames_hold_black_read_noise_and_hot_pixels():
    sensor = mosaic_sensor("RGGB", hot_count=7)
    scene = make_scene(chart=False, sensor=sensor)
    frames = [render_dark(scene, seed)[0].astype(int) for seed in (1, 2)]
    black = np.tile(np.array(sensor.black_dn), (frames[0].shape[0] // 2, frames[0].shape[1] // 2))
    hot = [np.argwhere(frame - black > 300) for frame in frames]
    assert len(hot[0]) == 7
    assert np.array_equal(hot[0], hot[1])
    assert abs(np.median(frames[0] - black)) < 1


def test_same_seed_same_frame_other_seed_other_noise():
    scene = make_scene(144, 96)
    first, again, other = (render_frame(scene, seed) for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
