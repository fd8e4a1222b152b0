"""TIFF and PNG frames: linear light out, or a reason."""

import re
import struct
import zlib

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from glasswright import Unmeasurable
from glasswright_camera import decode_raw
from glasswright_camera.raw.image import make_light_table
from support.frames import make_shot, make_stand, noisy_frame, write_dng


def decode(path, *, monochrome=True, **sensor):
    return decode_raw(make_shot(path), make_stand(monochrome=monochrome, **sensor))


def refusal(path, **sensor):
    with pytest.raises(Unmeasurable) as caught:
        decode(path, **sensor)
    return str(caught.value)


def photograph(channels=1, dtype=np.uint16, seed=3):
    rng = np.random.default_rng(seed)
    top = np.iinfo(dtype).max
    pixels = np.rint(rng.normal(0.4 * top, 0.02 * top, (96, 160, channels))).astype(dtype)
    return pixels[:, :, 0] if channels == 1 else pixels


def save(path, pixels, **options):
    if path.suffix == ".png":
        path.write_bytes(imagecodecs.png_encode(pixels))
    else:
        tifffile.imwrite(path, pixels, metadata=None, **options)
    return path


@pytest.mark.parametrize("ending", [".png", ".tif", ".TIFF"])
@pytest.mark.parametrize("channels", [1, 3])
def test_sixteen_linear_bits_come_back_exactly(tmp_path, ending, channels):
    pixels = photograph(channels)
    mosaic = decode(save(tmp_path / f"a{ending}", pixels), monochrome=channels == 1)
    assert np.array_equal(np.moveaxis(mosaic.values, 0, -1), pixels.reshape(96, 160, channels))
    assert mosaic.planes == (("white",) if channels == 1 else ("red", "green", "blue"))
    assert mosaic.pattern.tolist() == [[[plane]] for plane in range(channels)]
    assert set(mosaic.black_dn.ravel()) == {0}
    assert mosaic.white_dn == 65535


def test_eight_bits_fill_the_range(tmp_path):
    pixels = photograph(1, np.uint8)
    assert np.array_equal(decode(save(tmp_path / "a.png", pixels)).values[0], 257 * pixels.astype(int))


@pytest.mark.parametrize("transfer", ["srgb", 2.2])
def test_the_transfer_curve_is_undone(tmp_path, transfer):
    pixels = photograph(3, np.uint8)
    mosaic = decode(save(tmp_path / "a.tif", pixels, photometric="rgb"), transfer=transfer, monochrome=False)
    assert np.array_equal(np.moveaxis(mosaic.values, 0, -1), make_light_table(255, transfer)[pixels])


def test_planar_colour_is_the_same_picture(tmp_path):
    pixels = photograph(3)
    flat = save(tmp_path / "a.tif", pixels, photometric="rgb")
    planar = save(tmp_path / "b.tif", np.moveaxis(pixels, -1, 0), photometric="rgb", planarconfig="separate")
    assert np.array_equal(decode(flat, monochrome=False).values, decode(planar, monochrome=False).values)


def test_an_image_is_grey_where_the_stand_says_so_and_only_there(tmp_path):
    grey, colour = save(tmp_path / "a.png", photograph(1)), save(tmp_path / "b.png", photograph(3))
    assert refusal(grey, monochrome=False) == (
        "the image is grey: save it in colour, or the sensor has no filter (then say `monochrome: true` for the "
        "stand's sensor)"
    )
    assert refusal(colour) == (
        "the stand file says `monochrome: true`, but the image is in colour: is it from this body?"
    )


def test_the_stands_levels_are_in_file_values(tmp_path):
    path = save(tmp_path / "a.png", photograph(1, np.uint8))
    mosaic = decode(path, black_dn=10.0, white_dn=250.0, transfer="srgb")
    table = make_light_table(255, "srgb")
    assert mosaic.black_dn.tolist() == [[[table[10]]]]
    assert mosaic.white_dn == table[250]


@given(st.floats(0.3, 4), st.integers(1, 65534))
def test_every_curve_keeps_black_white_and_order(power, value):
    for transfer in ("linear", "srgb", power):
        table = make_light_table(65535, transfer)
        assert (table[0], table[-1]) == (0, 65535)
        assert table[value - 1] <= table[value] <= table[value + 1]


def test_a_tiff_that_holds_raw_data_is_read_as_raw(tmp_path):
    values = noisy_frame()
    mosaic = decode(write_dng(tmp_path / "a.tif", values), monochrome=False)
    assert mosaic.planes == ("red", "green", "blue")
    assert np.array_equal(mosaic.values[0], values)


def test_a_cut_tiff(tmp_path):
    path = save(tmp_path / "a.tif", photograph())
    size = path.stat().st_size
    path.write_bytes(path.read_bytes()[: size // 2])
    assert refusal(path) == (
        f"the copy is incomplete: piece 1 of 1 of an image ends at byte {size}, the file at {size // 2}; copy it again"
    )


def test_a_cut_png(tmp_path):
    path = save(tmp_path / "a.png", photograph())
    path.write_bytes(path.read_bytes()[:3000])
    assert re.fullmatch(r"the image cannot be read \(.+\): copy it again, or shoot it again", refusal(path))


def test_a_half_copied_tiff(tmp_path):
    pixels = photograph(1, np.uint8)
    pixels[48:] = 0
    assert refusal(save(tmp_path / "a.tif", pixels)).startswith("48 rows hold one repeated value from end to end")


def test_quiet_dark_parts_of_an_eight_bit_photograph_are_no_damage(tmp_path):
    pixels = photograph(1, np.uint8)
    pixels[10:90, 20:100] = 0
    decode(save(tmp_path / "a.png", pixels))


def test_transparency(tmp_path):
    pixels = photograph(4, np.uint8)
    assert refusal(save(tmp_path / "a.png", pixels)) == (
        "the image has 4 channels; save grey or RGB without transparency"
    )


def test_floating_point(tmp_path):
    assert refusal(save(tmp_path / "a.tif", photograph().astype(np.float32))) == (
        "the image has float32 values; save 8 or 16 bits"
    )


def test_lossy_compression(tmp_path):
    path = save(tmp_path / "a.tif", photograph(1, np.uint8), compression="jpeg")
    assert refusal(path) == (
        "corrections baked in: the image is compressed as JPEG, which alters edges; save it uncompressed or losslessly "
        "compressed"
    )


def test_inverted_grey(tmp_path):
    path = save(tmp_path / "a.tif", photograph(), photometric="miniswhite")
    assert refusal(path) == (
        "the image's colour scheme (PhotometricInterpretation) is 0; save grey with black as 0 (1) or RGB (2)"
    )


def test_several_images(tmp_path):
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as writer:
        for _ in range(3):
            writer.write(photograph(), metadata=None)
    assert refusal(path) == "the file holds 3 images; save single frames"


def test_a_jpeg_is_no_raw(tmp_path):
    path = tmp_path / "a.jpg"
    path.write_bytes(imagecodecs.jpeg_encode(photograph(3, np.uint8)))
    assert re.match(r'the raw file cannot be read: LibRaw [\d.]+ says "Unsupported file format', refusal(path))


def write_png_header(path, width, height, depth=8, colour=0, body=b""):
    size = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    chunks = [(b"IHDR", size), (b"IDAT", zlib.compress(body)), (b"IEND", b"")]
    packed = (
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data)) for kind, data in chunks
    )
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(packed))
    return path


def test_a_header_that_declares_too_many_pixels_is_refused_before_memory_is_taken(tmp_path, monkeypatch):
    monkeypatch.setattr(imagecodecs, "png_decode", lambda *_: pytest.fail("the image was decoded"))
    monkeypatch.setattr(tifffile.TiffPage, "asarray", lambda *_: pytest.fail("the image was decoded"))
    message = refusal(write_png_header(tmp_path / "a.png", 60000, 60000))
    assert message == (
        "the header claims 60000 x 60000 pixels, over 400 megapixels: copy the file again; if the body's frames are "
        "that large, raise `largest_frame_px` of the stand's sensor"
    )
    assert "claims 60000 x 60000" in refusal(write_png_header(tmp_path / "b.png", 60000, 60000), largest_frame_px=10**9)
    assert "packed into" in refusal(write_png_header(tmp_path / "c.png", 20000, 20000))
    assert "800 MB of pixels" in refusal(write_png_header(tmp_path / "d.png", 20000, 20000, depth=16))
    assert "claims 0 x 5 pixels" in refusal(write_png_header(tmp_path / "e.png", 0, 5))
    claimed = save(tmp_path / "f.tif", photograph())
    with tifffile.TiffFile(claimed, mode="r+b") as tiff:
        for name in ("ImageWidth", "ImageLength"):
            tiff.pages[0].tags[name].overwrite(65535)
    assert "claims 65535 x 65535 pixels, over 400 megapixels" in refusal(claimed)
    with tifffile.TiffFile(claimed, mode="r+b") as tiff:
        tiff.pages[0].tags["ImageWidth"].overwrite(5000)
    assert "the header claims 655350000 bytes of pixels, the file has" in refusal(claimed)
    packed = save(tmp_path / "g.tif", np.zeros((15000, 12000), np.uint16), compression="zlib")
    assert "the header claims 360 MB of pixels, packed into" in refusal(packed)


def test_a_small_frame_may_be_empty(tmp_path):
    assert "copies" not in refusal(write_png_header(tmp_path / "a.png", 640, 480, body=b"\0" * (641 * 480)))
    assert "packed into" not in refusal(save(tmp_path / "b.png", np.zeros((640, 480), np.uint16)))
