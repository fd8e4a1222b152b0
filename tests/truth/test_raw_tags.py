"""The decoder's tag numbers against the public tables of tifffile (TIFF 6.0, DNG 1.x, EXIF 2.3)."""

import inspect
import re

import pytest
import tifffile

from glasswright_camera.raw import file_checks, file_levels
from glasswright_camera.raw import image as decode_image

NAMES = {
    254: "NewSubfileType",
    256: "ImageWidth",
    257: "ImageLength",
    258: "BitsPerSample",
    259: "Compression",
    262: "PhotometricInterpretation",
    273: "StripOffsets",
    279: "StripByteCounts",
    324: "TileOffsets",
    325: "TileByteCounts",
    339: "SampleFormat",
    513: "JPEGInterchangeFormat",
    514: "JPEGInterchangeFormatLength",
    33422: "CFAPattern",
    50706: "DNGVersion",
    50713: "BlackLevelRepeatDim",
    50714: "BlackLevel",
    50715: "BlackLevelDeltaH",
    50716: "BlackLevelDeltaV",
    50829: "ActiveArea",
    51008: "OpcodeList1",
    51009: "OpcodeList2",
    51022: "OpcodeList3",
}


@pytest.mark.parametrize(("number", "name"), NAMES.items())
def test_a_tag_means_what_its_number_says(number, name):
    assert name in tifffile.TIFF.TAGS.getall(number)


def test_no_other_tag_is_read():
    source = "".join(inspect.getsource(module) for module in (file_checks, file_levels, decode_image))
    read = {int(number) for number in re.findall(r"(?:tag|numbers?)_of\([\w.\[\]]+, (\d+)\)", source)}
    read |= {int(number) for pair in file_checks.OFFSETS_AND_COUNTS for number in pair}
    read |= {int(number) for number in re.findall(r"\b(5\d{4}|33\d{3})\b", source) if int(number) < 51100}
    assert read <= set(NAMES) | set(file_checks.LOSSY) | set(decode_image.LOSSY) | set(file_checks.UNDECODABLE) | {
        file_checks.CFA
    }
    assert {33422, 50714, 51009} <= read


def test_the_codes_of_compression_and_photometry():
    compression, photometric = tifffile.COMPRESSION, tifffile.PHOTOMETRIC
    assert compression(file_checks.UNCOMPRESSED).name == "NONE"
    assert compression(file_checks.JPEG).name == "JPEG"
    # 9 stands for VC-5 wavelets in raw files (seen in real ones); the table knows it as fax compression
    assert {code: compression(code).name for code in file_checks.LOSSY} == {9: "JBIG_BW", 34892: "JPEG_LOSSY"}
    assert {compression(code).name for code in file_checks.UNDECODABLE} == {
        "LZW",
        "ADOBE_DEFLATE",
        "PACKBITS",
        "DEFLATE",
        "JPEGXL_DNG",
    }
    assert photometric(file_checks.CFA).name == "CFA"
    assert photometric(file_checks.LINEAR_RAW).name == "LINEAR_RAW"
    assert tifffile.SAMPLEFORMAT(file_checks.FLOATING_POINT).name == "IEEEFP"
    assert tifffile.DATATYPE(file_levels.RATIONAL).name == "RATIONAL"
