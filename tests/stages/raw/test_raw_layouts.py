"""Raw files of many formats: complete ones written here, and real ones if available.

The pixels must be LibRaw's own.
"""

import os
import re
import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import rawpy

from glasswright import CaptureFacts, Unmeasurable
from glasswright.intake.exif import read_facts
from glasswright_camera import decode_raw
from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.files.raw_layouts import LAYOUTS, TiffBuilder, write_layout
from support.frames import make_shot, make_stand, noisy_frame, write_dng

FRAME = noisy_frame(192, 256, level=2500)
AGAIN = re.compile("copy it again|copy the file again")
EXIF = Exif(f_number=2.8, lens_serial="C50-00417")


@pytest.fixture(params=sorted(LAYOUTS))
def written(request, tmp_path):
    path = tmp_path / f"a.{request.param}"
    write_layout(path, request.param, FRAME, EXIF)
    return path


def test_a_complete_file_is_decoded_pixel_by_pixel(written):
    mosaic = decode_raw(make_shot(written), make_stand())
    assert np.array_equal(mosaic.values[0], FRAME)
    assert mosaic.pattern[0].tolist() == [[0, 1], [1, 2]]
    assert mosaic.notes == ()


def test_the_entries_of_a_written_directory_ascend():
    """TIFF 6.0, page 15: sorted in ascending order by tag."""
    tiff = TiffBuilder(b"II", b"*\0", bytes(4))
    start = tiff.put_directory((270, 2, "Corvane"), (256, 4, 40), (272, 2, "D7"), (257, 3, 60))
    (count,) = struct.unpack_from("<H", tiff.data, start)
    tags = [struct.unpack_from("<H", tiff.data, start + 2 + 12 * k)[0] for k in range(count)]
    assert tags == [256, 257, 270, 272]


def test_its_facts_are_read(written):
    assert read_facts(written) == CaptureFacts(
        body_model=EXIF.body_model,
        body_serial=EXIF.body_serial,
        lens_model=EXIF.lens_model,
        lens_serial=EXIF.lens_serial,
        focal_length_mm=50,
        f_number=2.8,
        exposure_time_s=0.25,
        iso=100,
        captured_at=EXIF.date,
    )


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_cut_file_is_refused(written, share):
    whole = written.read_bytes()
    written.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(Unmeasurable, match=AGAIN):
        decode_raw(make_shot(written), make_stand())


def test_a_hole_of_zeros_is_refused(written):
    data = bytearray(written.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 8192] = bytes(8192)
    written.write_bytes(data)
    with pytest.raises(Unmeasurable, match=AGAIN):
        decode_raw(make_shot(written), make_stand())


def test_a_preview_beyond_the_end_is_ignored(tmp_path):
    path = tmp_path / "a.nef"
    write_layout(path, "nef", FRAME, EXIF)
    data = path.read_bytes()
    entry = data.index(struct.pack(">HHI", 513, 4, 1))
    path.write_bytes(data[: entry + 8] + struct.pack(">I", 9_999_999) + data[entry + 12 :])
    assert np.array_equal(decode_raw(make_shot(path), make_stand()).values[0], FRAME)


def cfa_tiff(tmp_path, *tags, content, bits=16):
    tiff = TiffBuilder(b"II", b"*\0")
    height, width = FRAME.shape
    size = ((256, 4, width), (257, 4, height), (258, 3, bits), (277, 3, 1), (278, 4, height))
    place = ((273, 4, tiff.put(content)), (279, 4, len(content)))
    cfa = ((262, 3, 32803), (33421, 3, (2, 2)), (33422, 1, bytes((0, 1, 1, 2))))
    path = tmp_path / "a.raw"
    path.write_bytes(tiff.finish(tiff.put_directory(*size, *place, *cfa, (271, 2, "Ostrel"), (272, 2, "D7"), *tags)))
    return path


def test_sizes_with_a_meaning_of_the_body_are_accepted(tmp_path):
    # not a DNG: the declared length of the strip is a tenth of the real one
    data = FRAME.astype("<u2").tobytes()
    path = cfa_tiff(tmp_path, (259, 3, 1), content=data)
    whole = path.read_bytes()
    length = whole.index(struct.pack("<HHII", 279, 4, 1, len(data)))
    path.write_bytes(whole[: length + 8] + struct.pack("<I", len(data) // 10) + whole[length + 12 :])
    assert np.array_equal(decode_raw(make_shot(path), make_stand()).values[0], FRAME)


@pytest.mark.parametrize("swapped", [False, True])
def test_lossy_jpeg_is_named_in_any_raw(tmp_path, swapped):
    stream = imagecodecs.jpeg8_encode((FRAME // 16).astype(np.uint8))
    stream += bytes(len(stream) % 2)
    if swapped:
        stream = np.frombuffer(stream, ">u2").astype("<u2").tobytes()
    path = cfa_tiff(tmp_path, (259, 3, 7), content=stream, bits=8)
    with pytest.raises(Unmeasurable, match="corrections baked in: the pixels are compressed as lossy JPEG, which"):
        decode_raw(make_shot(path), make_stand())


@pytest.mark.parametrize(("levels", "lossy"), [(0, False), (3, True)])
def test_a_cr3_of_wavelets_is_named_as_lossy(tmp_path, levels, lossy):
    # a small lossless image beside the frame, as bodies write it; LibRaw opens neither, there being no pixels
    images = b"".join(
        struct.pack(">I4s8s4I4B", 60, b"CMP1", bytes(8), width, 200, width, 200, 14, 0x40, each, 0)
        for width, each in ((100, 0), (300, levels))
    )
    path = tmp_path / "a.cr3"
    path.write_bytes(struct.pack(">I", 24) + b"ftypcrx " + bytes(12) + struct.pack(">I", 900) + b"moov" + images)
    with pytest.raises(Unmeasurable) as caught:
        decode_raw(make_shot(path), make_stand())
    assert ("compressed as wavelets, which alters edges" in str(caught.value)) is lossy


def test_noise_that_reaches_zero_is_no_damage(tmp_path):
    # a black of 15 of 4095, as some bodies have, in a frame whose lower half is unlit
    values = noisy_frame(192, 256, level=1500)
    values[96:] = np.clip(np.rint(np.random.default_rng(2).normal(15, 6, (96, 256))), 0, None)
    assert (values == 0).mean() > 1e-3
    path = write_dng(tmp_path / "a.dng", values, black=(15,) * 4, white=4095)
    assert np.array_equal(decode_raw(make_shot(path), make_stand()).values[0], values)


# --- real files, where there are any

REAL = Path(os.environ.get("GLASSWRIGHT_REAL_FILES", "/nowhere"))
needs_real_files = pytest.mark.skipif(not REAL.is_dir(), reason="GLASSWRIGHT_REAL_FILES names no folder")
BAKED_IN = {
    "dng_lossy.dng": "the pixels are compressed as lossy JPEG,",
    "gpr.gpr": "the pixels are compressed as VC-5 wavelets,",
    "kdc_jpeg.kdc": "the pixels are compressed as lossy JPEG,",
    "kdc_small_lossy.kdc": "the pixels are compressed to at most 0.67 bits each, fewer than sensor noise needs",
}


def real_files(folder):
    return sorted((REAL / folder).glob("*")) if REAL.is_dir() else []


@needs_real_files
@pytest.mark.parametrize("path", real_files("raws"), ids=lambda path: path.name)
def test_a_complete_real_file_is_decoded_or_its_kind_named(path):
    if path.name in BAKED_IN:
        with pytest.raises(Unmeasurable) as caught:
            decode_raw(make_shot(path), make_stand())
        assert str(caught.value).startswith(f"corrections baked in: {BAKED_IN[path.name]}")
        return
    mosaic = decode_raw(make_shot(path), make_stand())
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(mosaic.values[0], raw.raw_image_visible)


@needs_real_files
@pytest.mark.parametrize("path", real_files("heads"), ids=lambda path: path.name)
def test_a_real_head_without_its_pixels_is_refused_as_damaged_or_lossy(path):
    lossy = path.name == "cr3_b.cr3"
    with pytest.raises(Unmeasurable, match="compressed as wavelets" if lossy else AGAIN):
        decode_raw(make_shot(path), make_stand())


@needs_real_files
@pytest.mark.parametrize("path", real_files("raws"), ids=lambda path: path.name)
def test_a_real_file_cut_short_is_refused(tmp_path, path):
    whole, cut = path.read_bytes(), tmp_path / path.name
    for share in (0.5, 0.97):
        cut.write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(Unmeasurable):
            decode_raw(make_shot(cut), make_stand())
