"""Files that were cut, stripped, half copied or altered: all are refused, each with its cause."""

import os
import re
import struct

import numpy as np
import pytest
import tifffile

from glasswright import Unmeasurable
from glasswright_camera import decode_raw
from glasswright_camera.raw.damage import take_census
from glasswright_camera.raw.libraw import collect_messages
from support.frames import (
    RGGB,
    UNDEFINED,
    change_tag,
    data_extent,
    make_shot,
    make_stand,
    noisy_frame,
    opcode_list,
    overwrite_bytes,
    write_dng,
    write_frame,
)

JPEG = {"compression": 7, "compressionargs": {"lossless": True, "bitspersample": 14}}


def refusal(path, role="chart", **sensor):
    with pytest.raises(Unmeasurable) as caught:
        decode_raw(make_shot(path, role), make_stand(**sensor))
    return str(caught.value)


def tall_frame():
    return noisy_frame(192, 160)


@pytest.mark.parametrize("storage", [{}, JPEG], ids=["plain", "jpeg"])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.99])
def test_a_cut_file(tmp_path, storage, share):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage=storage)
    offset, count = data_extent(path)
    size = offset + int(count * share)
    path.write_bytes(path.read_bytes()[:size])
    assert refusal(path) == (
        f"the copy is incomplete: piece 1 of 1 of an image ends at byte {offset + count}, the file at {size}; "
        "copy it again"
    )


def test_a_file_cut_within_its_directory(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    path.write_bytes(path.read_bytes()[:60])
    assert re.match(
        r"the file's directory cannot be read \(.*\): copy it again$|the copy is incomplete|the raw file", refusal(path)
    )


def test_an_empty_file(tmp_path):
    path = tmp_path / "a.dng"
    path.write_bytes(b"")
    assert re.fullmatch(
        r"the raw file cannot be read: LibRaw [\d.]+ says .+; copy it again, or shoot it again", refusal(path)
    )


def test_a_file_that_is_no_raw(tmp_path):
    path = tmp_path / "a.nef"
    path.write_bytes(b"a letter to the workshop\n" * 400)
    assert re.fullmatch(
        r'the raw file cannot be read: LibRaw [\d.]+ says "Unsupported file format or not RAW file"; '
        r"it is no raw file, or damaged \(copy it again\), or of a body or kind of raw that this LibRaw does not know "
        r"\(set the body to another kind, or convert it to DNG without demosaicing\)",
        refusal(path),
    )


def test_stripped_pixels_with_the_lengths_left_out(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    change_tag(path, 279, 0)
    assert refusal(path) == "the file has no pixel data (its strips are empty): copy it again"


def test_stripped_pixels_with_zeros_in_their_place(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    offset, count = data_extent(path)
    overwrite_bytes(path, offset, bytes(count))
    assert refusal(path) == "every pixel is zero: the pixel data were lost; copy the file again"


def test_lengths_shorter_than_the_pixels_need(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    change_tag(path, 279, 1000)
    assert refusal(path) == f"the file's pixels need {192 * 160 * 2} bytes, it lists 1000: copy it again"


def test_a_half_copied_file(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    offset, count = data_extent(path)
    overwrite_bytes(path, offset + count // 2, bytes(count // 2))
    assert refusal(path) == (
        "96 rows hold one repeated value from end to end (the first is row 96): part of the pixel data was lost; "
        "copy the file again"
    )


def test_a_hole_of_zeros_within_a_row(tmp_path):
    values = tall_frame()
    values[50, 40:120] = 0
    assert refusal(write_dng(tmp_path / "a.dng", values)) == (
        "0.26 % of the pixels are exactly zero, far below black: part of the pixel data was lost; copy the file again"
    )


@pytest.mark.parametrize("filler", [0, 300, 6000])
def test_a_block_of_one_value(tmp_path, filler):
    # 64 x 64 pixels of filler off the grid, without zeros or whole rows; black 0, so that zeros prove nothing
    values = tall_frame()
    values[37:101, 19:83] = filler
    assert refusal(write_dng(tmp_path / "a.dng", values, black=(0, 0, 0, 0))) == (
        "64 runs of 32 pixels hold one repeated value: part of the pixel data was lost; copy the file again"
    )


def test_filler_that_repeats_with_the_pattern(tmp_path):
    # result of decoding a cut lossless stream: each colour's last value repeated
    values = tall_frame()
    values[150:, 0::2], values[150:, 1::2] = 5990, 6011
    assert refusal(write_dng(tmp_path / "a.dng", values)).startswith("42 rows hold one repeated value from end to end")


def test_a_lossless_stream_overwritten_with_zeros(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage=JPEG)
    offset, count = data_extent(path)
    overwrite_bytes(path, offset + count // 2, bytes(count - count // 2))
    assert refusal(path) == (
        "piece 1 of 1 of the frame's lossless JPEG lacks its end: part of the pixel data was lost; copy the file again"
    )


def test_a_tile_overwritten_with_zeros(tmp_path):
    # LibRaw returns the tile before in its place, with noise, so that the pixels do not show it
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage={**JPEG, "tile": (96, 80)})
    with tifffile.TiffFile(path) as tiff:
        offset, count = tiff.pages[0].dataoffsets[3], tiff.pages[0].databytecounts[3]
    overwrite_bytes(path, offset, bytes(count))
    assert refusal(path) == (
        "piece 4 of 4 of the frame's lossless JPEG lacks its beginning: part of the pixel data was lost; copy the file "
        "again"
    )


def test_a_lossless_stream_cut_out_of_the_middle(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage=JPEG)
    offset, count = data_extent(path)
    overwrite_bytes(path, offset + count // 2, bytes(count // 4))
    assert re.fullmatch(
        r'the raw file cannot be read: LibRaw [\d.]+ says "Data error or unsupported file format"; '
        r"data corrupted at \d+; copy it again, or shoot it again",
        refusal(path),
    )


def test_a_tile_with_a_wrong_offset(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage={"tile": (96, 80)})
    with tifffile.TiffFile(path) as tiff:
        offsets = list(tiff.pages[0].dataoffsets)
    change_tag(path, 324, [*offsets[:2], offsets[2] - 512, offsets[3]])
    assert refusal(path) == (
        f"two pieces of the frame share the bytes from {offsets[2] - 512} on: the file's directory is damaged; copy it "
        "again"
    )


@pytest.mark.parametrize("where", ["thumbnail", "astray", "in a circle"])
def test_directories_after_the_raw_frame_are_ignored(tmp_path, where):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    whole = decode_raw(make_shot(path), make_stand())
    data = bytearray(path.read_bytes())
    link = 8 + 2 + 12 * int.from_bytes(data[8:10], "little")
    target = {"thumbnail": len(data), "astray": len(data) + 5000, "in a circle": 8}[where]
    data[link : link + 4] = target.to_bytes(4, "little")
    # as bodies write it: a JPEG's place and length, and neither width nor height
    data += struct.pack("<HHHIIHHIII", 2, 513, 4, 1, 64, 514, 4, 1, 100, 0)
    path.write_bytes(data)
    mosaic = decode_raw(make_shot(path), make_stand())
    assert np.array_equal(mosaic.values, whole.values)
    assert np.array_equal(mosaic.black_dn, whole.black_dn)


def test_a_dng_whose_raw_directory_was_lost(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame())
    change_tag(path, 262, 1)
    assert refusal(path) == "the directory of the DNG's raw frame is missing or damaged: copy it again"


def test_blacks_far_apart(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), black=(512, 512, 1024, 512))
    assert refusal(path) == (
        "the black levels of the colour pattern's sites differ by 512 DN, more than those of any sensor: copy the file "
        "again, or give `black_dn` for the stand's sensor"
    )


def test_a_tag_that_holds_something_else(tmp_path):
    dimensions, words = (50713, 3, 2, (2, 2), True), (50714, 2, 0, "black as night", True)
    path = write_dng(tmp_path / "a.dng", tall_frame(), black=None, extra=[dimensions, words])
    assert refusal(path) == ("tag 50714 of the file holds 'black as night' in place of whole numbers: copy it again")


def test_one_flipped_bit_anywhere_in_the_directory_never_crashes(tmp_path):
    whole = write_dng(tmp_path / "a.dng", tall_frame()).read_bytes()
    path = tmp_path / "b.dng"
    for place, bit in np.random.default_rng(9).integers((0, 0), (300, 8), (60, 2)):
        data = bytearray(whole)
        data[place] ^= 1 << int(bit)
        path.write_bytes(data)
        try:
            decode_raw(make_shot(path), make_stand())
        except Unmeasurable as finding:
            assert str(finding)


def test_values_that_the_depth_cannot_hold(tmp_path):
    values = tall_frame()
    values[100, 100] = 40000
    assert refusal(write_dng(tmp_path / "a.dng", values)) == (
        "the largest value is 40000, more than the file's depth can hold (16383): the data are damaged; copy the file "
        "again"
    )


@pytest.mark.parametrize("white", [16383, 15000])
def test_values_up_to_the_depth_are_no_damage(tmp_path, white):
    values = tall_frame()
    values[100, 100] = 16383
    decode_raw(make_shot(write_dng(tmp_path / "a.dng", values, white=white)), make_stand())


def test_clipped_parts_and_dead_pixels_are_no_damage(tmp_path):
    values = tall_frame()
    values[:40] = 16383
    values[60, 60] = values[70, 70] = 0
    decode_raw(make_shot(write_dng(tmp_path / "a.dng", values)), make_stand())


def test_a_dark_shot_whose_black_is_zero_may_be_all_zero(tmp_path):
    path = write_dng(tmp_path / "a.dng", np.zeros((96, 160), np.uint16), black=(0, 0, 0, 0))
    assert decode_raw(make_shot(path, "dark"), make_stand()).values.max() == 0
    assert refusal(path, "flat") == "every pixel is zero: the pixel data were lost; copy the file again"


def test_deflate(tmp_path):
    assert refusal(write_dng(tmp_path / "a.dng", tall_frame(), storage={"compression": 8})) == (
        "the pixels are compressed as deflate, which LibRaw cannot decode; save raw uncompressed or as lossless JPEG"
    )


def test_floating_point(tmp_path):
    values = tall_frame().astype(np.float32)
    assert refusal(write_dng(tmp_path / "a.dng", values, storage={"compression": 8})) == (
        "the pixels are floating point, which LibRaw can misread silently: save integers"
    )


def test_lossless_jpeg_in_several_strips(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage={**JPEG, "rowsperstrip": 64})
    assert refusal(path) == (
        "the frame is lossless JPEG in 3 strips, which LibRaw can decode wrongly from the second on without saying so: "
        "save it as one strip, as tiles or uncompressed"
    )


def test_lossy_jpeg(tmp_path):
    values = (tall_frame() // 64).astype(np.uint8)
    path = write_dng(tmp_path / "a.dng", values, white=255, storage={"compression": 7})
    assert refusal(path) == (
        "corrections baked in: the pixels are compressed as lossy JPEG, which alters edges; save raw uncompressed or "
        "losslessly compressed"
    )


def test_jpeg_xl(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage={"compression": 52546})
    assert refusal(path) == (
        "the pixels are compressed as JPEG XL, which LibRaw cannot decode; save raw uncompressed or as lossless JPEG"
    )


def test_a_missing_colour_pattern(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), cfa=None)
    assert refusal(path) == (
        "the file has a colour filter but its pattern is missing (tag 33422, CFAPattern), "
        "and a reader would guess: copy it again, or shoot it again"
    )


def test_a_linear_dng(tmp_path):
    values = np.stack([tall_frame()] * 3, axis=-1)
    path = write_dng(tmp_path / "a.dng", values, photometric=34892, cfa=None, black=None)
    assert refusal(path) == (
        "the file's pixels are already demosaiced (a linear or YCbCr raw), and the effect of interpolation on an "
        "edge cannot be separated from the lens's; shoot plain raw, convert without demosaicing"
    )


def test_several_raw_images(tmp_path):
    path = tmp_path / "a.dng"
    with tifffile.TiffWriter(path) as writer:
        for _ in range(4):
            write_frame(writer, tall_frame(), cfa=RGGB)
    assert refusal(path) == (
        "the file holds 4 raw images (pixel shift or a burst), which may differ in light; shoot single frames"
    )


def test_black_that_changes_along_the_frame(tmp_path):
    delta = (50716, 10, 192, tuple(value for row in range(192) for value in (row % 3, 1)), True)
    path = write_dng(tmp_path / "a.dng", tall_frame(), extra=[delta])
    assert refusal(path) == (
        "the file's black level changes from row to row or column to column (BlackLevelDeltaV or H), which is not "
        "supported: give `black_dn` for the stand's sensor"
    )
    decode_raw(make_shot(path), make_stand(black_dn=512.0))


def opcodes(code, *identities):
    data = opcode_list(*identities)
    return (code, UNDEFINED, len(data), data, True)


@pytest.mark.parametrize(
    ("code", "number", "identity", "name"),
    [
        (51008, 1, 1, "WarpRectilinear"),
        (51008, 1, 14, "WarpRectilinear2"),
        (51009, 2, 3, "FixVignetteRadial"),
        (51009, 2, 9, "GainMap"),
        (51009, 2, 8, "MapPolynomial"),
        (51009, 2, 99, "opcode 99"),
    ],
)
def test_corrections_before_demosaicing(tmp_path, code, number, identity, name):
    path = write_dng(tmp_path / "a.dng", tall_frame(), extra=[opcodes(code, 4, identity)])
    assert refusal(path) == (
        f"corrections baked in: opcode list {number} of the file requires {name}; turn lens and shading corrections "
        "off in the body and shoot again"
    )


def test_corrections_after_demosaicing_are_noted(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), extra=[opcodes(51022, 1, 3), opcodes(51008, 5)])
    mosaic = decode_raw(make_shot(path), make_stand())
    assert mosaic.notes == (
        "opcode list 1 of the file (FixBadPixelsList) is not applied",
        "opcode list 3 of the file (WarpRectilinear, FixVignetteRadial) is not applied",
    )


@pytest.mark.parametrize("cut", [2, 12, 25])
def test_an_opcode_list_cut_short(tmp_path, cut):
    data = opcode_list(4)[:cut]
    path = write_dng(tmp_path / "a.dng", tall_frame(), extra=[(51008, UNDEFINED, len(data), data, True)])
    assert refusal(path) == "opcode list 1 of the file is cut short: copy it again"


def test_a_header_that_declares_too_much(tmp_path):
    path = write_dng(tmp_path / "a.dng", tall_frame(), storage=JPEG)
    change_tag(path, 256, 60000)
    change_tag(path, 257, 60000)
    assert re.match(r"the header claims 60000 x 60000 pixels|the raw file cannot be read", refusal(path))


def test_messages_of_libraries_reach_standard_error(capfd):
    found = []
    with collect_messages(found, "chart/0001.dng"):
        os.write(2, b"chart/0001.dng: data corrupted at 17\nthe kettle boils\n")
    assert found == ["data corrupted at 17"]
    assert capfd.readouterr().err == "the kettle boils\n"


@pytest.mark.parametrize("width", [20, 32, 63, 64, 100])
def test_the_census_counts_what_a_simple_count_does(width):
    rng = np.random.default_rng(width)
    values = rng.integers(1, 1000, (2, 9, width)).astype(np.uint16)
    values[0, 3] = np.resize([700, 300], width)  # a row that repeats with the pattern
    values[1, 5, :20] = 0
    values[1, 6, 4:9] = 1000
    seen = take_census(values, period=2, white_dn=999.5)
    edges = [*range(0, width - 31, 32)] or [0]
    runs = [values[..., start:stop] for start, stop in zip(edges, [*edges[1:], width], strict=True)]
    flat = np.stack([(run[..., 2:] == run[..., :-2]).all(axis=-1) & (run.min(axis=-1) < 1000) for run in runs])
    means = np.stack([run[:, ::4].mean(axis=-1) for run in runs], axis=-1)
    np.testing.assert_allclose(seen.run_means, means, rtol=1e-6)
    assert (seen.flat_rows, seen.first_flat_row) == (np.count_nonzero(flat.all(axis=0)), 3)
    assert (seen.flat_runs, seen.zeros, seen.clipped, seen.largest) == (np.count_nonzero(flat), 20, 5, 1000)
