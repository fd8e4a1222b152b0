"""Write raw files like a body's: CFA DNG with an EXIF directory."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import tifffile

from glasswright import REHEARSED

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright_rehearsal.scene.sensor import Sensor

Tag = tuple[int, int, int, object, bool]
"""Number, type, count, value, and whether it is written only once."""

PHOTOMETRIC, LINEAR_RAW = 262, 34892
SOFTWARE = 305
HEAD_BYTES = 8192
"""Size of the part that is rewritten, larger than all directories."""
EXIF_POINTER, PLACEHOLDER = 34665, 34664
"""The library reserves the pointer's tag number, so the tag is written under the next one and renumbered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exif:
    """EXIF data of a file."""

    exposure_s: Fraction = Fraction(1, 4)
    f_number: float = 4.0
    focal_length_mm: float = 50.0
    iso: int = 100
    date: str = "2026:03:02 21:00:00"
    lens_make: str = "Corvane"
    lens_model: str = "Corvane 50 mm f/2"
    lens_serial: str = "C50-00000"
    body_make: str = "Ostrel"
    body_model: str = "Ostrel D7"
    body_serial: str = "D7-0031"


def write_dng(
    path: Path, picture: NDArray[np.uint16], sensor: Sensor, exif: Exif, *, lossless_jpeg: bool = False
) -> None:
    """Write a mosaic (1, height, width) as a DNG that states pattern, levels and EXIF.

    Parameters
    ----------
    path
        Target; an existing file is replaced.
    picture
        Raw values, one channel.
    sensor
        Its pattern and levels are written as tags (a monochrome sensor makes a LinearRaw file without pattern).
    exif
        Written as an EXIF directory (tag 34665).
    lossless_jpeg
        Store as one strip of lossless JPEG, 14 bits; otherwise uncompressed.
    """
    is_mosaic = len(sensor.planes) > 1
    storage: dict[str, object] = {"rowsperstrip": picture.shape[1]}
    if lossless_jpeg:
        storage |= {"compression": 7, "compressionargs": {"lossless": True, "bitspersample": 14}}
    with tifffile.TiffWriter(path, byteorder="<") as writer:
        writer.write(
            picture[0],
            photometric="CFA" if is_mosaic else "MINISBLACK",
            subfiletype=0,
            metadata=None,
            software=False,
            extratags=_list_tags(sensor, exif),
            **storage,  # type: ignore[arg-type]
        )
    _attach_exif(path, exif, is_mosaic=is_mosaic)


def _list_tags(sensor: Sensor, exif: Exif) -> list[Tag]:
    """Return the tags that the library does not write: versions, levels, pattern, colour, names, space for EXIF."""
    pattern, black = sensor.pattern_array()[0], np.array(sensor.black_dn)
    room = len(_build_directory(_exif_fields(exif), 0))
    tags: list[Tag] = [
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50707, 1, 4, bytes([1, 1, 0, 0]), True),
        (50708, 2, 0, exif.body_model, True),
        (50713, 3, 2, black.shape, True),
        (50714, 4, black.size, tuple(int(b) for b in black.ravel()), True),
        (50717, 4, 1, sensor.white_dn, True),
        (50735, 2, 0, exif.body_serial, True),
        (271, 2, 0, exif.body_make, True),
        (272, 2, 0, exif.body_model, True),
        (274, 3, 1, 1, True),
        (SOFTWARE, 2, 0, REHEARSED, True),
        (PLACEHOLDER, 7, room, bytes(room), True),
    ]
    if len(sensor.planes) > 1:
        tags += [
            (33421, 3, 2, pattern.shape, True),
            (33422, 1, pattern.size, bytes(int(p) for p in pattern.ravel()), True),
            (50710, 1, 3, bytes([0, 1, 2]), True),
            (50711, 3, 1, 1, True),
            (50721, 10, 9, (10000, 10000, 0, 1, 0, 1, 0, 1, 10000, 10000, 0, 1, 0, 1, 0, 1, 10000, 10000), True),
            (50728, 5, 3, (72, 100, 1, 1, 80, 100), True),
            (50778, 3, 1, 21, True),
        ]
    return tags


def _attach_exif(path: Path, exif: Exif, *, is_mosaic: bool) -> None:
    """Write the EXIF directory into the space reserved before the pixels, and turn that entry into its pointer.

    The library refuses LinearRaw with one sample, as a monochrome body writes it, so this is set here too.
    """
    with path.open("r+b") as file:
        head = bytearray(file.read(HEAD_BYTES))
        entry = _find_entry(head, PLACEHOLDER)
        (start,) = struct.unpack_from("<I", head, entry + 8)
        directory = _build_directory(_exif_fields(exif), start)
        head[start : start + len(directory)] = directory
        struct.pack_into("<HHI", head, entry, EXIF_POINTER, 4, 1)
        if not is_mosaic:
            struct.pack_into("<H", head, _find_entry(head, PHOTOMETRIC) + 8, LINEAR_RAW)
        file.seek(0)
        file.write(head)


def _find_entry(data: bytearray, tag: int) -> int:
    """Return the offset of a tag's entry in the first directory."""
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    for i in range(count):
        offset = start + 2 + 12 * i
        if struct.unpack_from("<H", data, offset)[0] == tag:
            return int(offset)
    message = f"no tag {tag} in the first directory"
    raise ValueError(message)


def _exif_fields(exif: Exif) -> list[tuple[int, int, int, bytes]]:
    """Return the directory's fields (tag, type, count, bytes) in ascending order of tag (TIFF 6.0)."""

    def text(tag: int, value: str) -> tuple[int, int, int, bytes]:
        raw = value.encode("ascii") + b"\0"
        return tag, 2, len(raw), raw

    def ratio(tag: int, value: Fraction) -> tuple[int, int, int, bytes]:
        return tag, 5, 1, struct.pack("<II", value.numerator, value.denominator)

    return [
        ratio(33434, exif.exposure_s),
        ratio(33437, Fraction(exif.f_number).limit_denominator(100)),
        (34855, 3, 1, struct.pack("<HH", exif.iso, 0)),
        (36864, 7, 4, b"0230"),
        text(36867, exif.date),
        ratio(37386, Fraction(exif.focal_length_mm).limit_denominator(100)),
        text(42033, exif.body_serial),
        text(42035, exif.lens_make),
        text(42036, exif.lens_model),
        text(42037, exif.lens_serial),
    ]


def _build_directory(fields: list[tuple[int, int, int, bytes]], start: int) -> bytes:
    """Return the bytes of a directory for offset `start`, followed by its longer values."""
    values_at = start + 2 + 12 * len(fields) + 4
    directory, values = struct.pack("<H", len(fields)), b""
    for tag, kind, count, raw in fields:
        if len(raw) <= 4:
            packed = raw.ljust(4, b"\0")
        else:
            packed = struct.pack("<I", values_at + len(values))
            values += raw + b"\0" * (len(raw) % 2)
        directory += struct.pack("<HHI", tag, kind, count) + packed
    return directory + struct.pack("<I", 0) + values
