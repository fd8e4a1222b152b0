"""Write complete raw files in layouts besides DNG, to test reading them without a body.

They follow TIFF 6.0 and TIFF/EP (ISO 12234-2) where the formats do; the rest is from memory. Not written: raf, rw2 and
mrw, whose pixels LibRaw reads only under a real maker's name, and cr3, whose compression has no encoder here.
"""

from __future__ import annotations

import struct
from fractions import Fraction
from typing import TYPE_CHECKING, Final

import imagecodecs
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from glasswright_rehearsal.files.dng import Exif

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 1, 2, 3, 4, 5, 7
PACKED: Final[Mapping[int, str]] = {SHORT: "H", LONG: "I", RATIONAL: "I"}
Value = str | bytes | int | tuple[int, ...]
Tag = tuple[int, int, Value]
"""Number, type and value; a rational is a pair."""

CFA_TAGS: Final[tuple[Tag, ...]] = ((262, SHORT, 32803), (33421, SHORT, (2, 2)), (33422, BYTE, bytes((0, 1, 1, 2))))
THUMBNAIL_PX: Final = (40, 60)
SLICED_BITS: Final = 14
STRIP_ROWS: Final = 16


class TiffBuilder:
    """Builds a TIFF from its innermost parts outwards, so that every offset is known when it is written."""

    def __init__(self, order: bytes, version: bytes, more: bytes = b"") -> None:
        """Begin with the header: `II` or `MM`, the next two bytes, and the bytes after the first offset."""
        self.order = "<" if order == b"II" else ">"
        self.data = bytearray(order + version + bytes(4) + more)

    def put(self, content: bytes) -> int:
        """Append bytes at an even offset, and return it."""
        self.data += bytes(len(self.data) % 2)
        self.data += content
        return len(self.data) - len(content)

    def put_directory(self, *tags: Tag, following: int = 0) -> int:
        """Append a directory and its longer values; `following` is the offset of the next one in the chain."""
        entries = [self._pack(*tag) for tag in sorted(tags, key=lambda tag: tag[0])]
        count, link = struct.pack(f"{self.order}H", len(entries)), struct.pack(f"{self.order}I", following)
        return self.put(count + b"".join(entries) + link)

    def finish(self, first: int) -> bytes:
        """Return the file whose chain begins at a directory."""
        self.data[4:8] = struct.pack(f"{self.order}I", first)
        return bytes(self.data)

    def _pack(self, number: int, kind: int, value: Value) -> bytes:
        if isinstance(value, str):
            value = value.encode("ascii") + b"\0"
        numbers = (value,) if isinstance(value, int) else tuple(value)
        packed = (
            bytes(numbers) if kind not in PACKED else struct.pack(f"{self.order}{len(numbers)}{PACKED[kind]}", *numbers)
        )
        count = len(numbers) // (2 if kind == RATIONAL else 1)
        place = packed.ljust(4, b"\0") if len(packed) <= 4 else struct.pack(f"{self.order}I", self.put(packed))
        return struct.pack(f"{self.order}HHI", number, kind, count) + place


def write_layout(path: Path, layout: str, picture: NDArray[np.uint16], exif: Exif) -> None:
    """Write a frame with a red site in its upper left corner, black at 0, and EXIF.

    Parameters
    ----------
    path
        Target; an existing file is replaced.
    layout
        One of `LAYOUTS`, named by file suffix.
    picture
        (height, width), both even; 14 bits for cr2, 12 for pef, 16 for the others.
    exif
        EXIF data of the file.
    """
    path.write_bytes(LAYOUTS[layout](picture, exif))


def build_cr2(picture: NDArray[np.uint16], exif: Exif) -> bytes:
    """Build four directories in a chain; the last contains lossless JPEG in vertical slices and no size."""
    tiff = TiffBuilder(b"II", b"*\0", b"CR\2\0" + bytes(4))
    height, width = picture.shape
    slice_px = width // 3
    slices = (picture[:, :slice_px], picture[:, slice_px : 2 * slice_px], picture[:, 2 * slice_px :])
    sequence = np.concatenate([each.ravel() for each in slices]).reshape(height, width // 2, 2)
    stream = bytes(imagecodecs.jpeg8_encode(sequence, lossless=True, bitspersample=SLICED_BITS))
    frame = tiff.put_directory(
        (259, SHORT, 6),
        (273, LONG, tiff.put(stream)),
        (279, LONG, len(stream)),
        (50752, SHORT, (2, slice_px, width - 2 * slice_px)),
    )
    small = bytes(THUMBNAIL_PX[0] * THUMBNAIL_PX[1] * 6)
    colour = tiff.put_directory(
        *_thumbnail_tags(tiff, small, bits=16), (259, SHORT, 6), (262, SHORT, 2), following=frame
    )
    thumbnail = tiff.put_directory(*_preview_tags(tiff), following=colour)
    preview = make_preview()
    return tiff.finish(
        tiff.put_directory(
            *_thumbnail_tags(tiff, preview, bits=8), (259, SHORT, 6), *_body_tags(tiff, exif), following=thumbnail
        )
    )


def build_nef(picture: NDArray[np.uint16], exif: Exif) -> bytes:
    """Build a thumbnail's directory, which contains those of a preview without a size and of the uncompressed frame."""
    tiff = TiffBuilder(b"MM", b"\0*")
    preview = tiff.put_directory((254, LONG, 1), *_preview_tags(tiff), (259, SHORT, 6))
    frame = tiff.put_directory((254, LONG, 0), *_frame_tags(tiff, picture, 16), *CFA_TAGS)
    small = bytes(THUMBNAIL_PX[0] * THUMBNAIL_PX[1] * 3)
    return tiff.finish(
        tiff.put_directory(
            *_thumbnail_tags(tiff, small, bits=8),
            *((254, LONG, 1), (259, SHORT, 1), (262, SHORT, 2), (330, LONG, (preview, frame))),
            *_body_tags(tiff, exif),
        )
    )


def build_arw(picture: NDArray[np.uint16], exif: Exif) -> bytes:
    """Build two directories of previews without a size; the first contains that of the uncompressed frame."""
    tiff = TiffBuilder(b"II", b"*\0")
    frame = tiff.put_directory((254, LONG, 0), *_frame_tags(tiff, picture, 16), *CFA_TAGS)
    small = tiff.put_directory((254, LONG, 1), (259, SHORT, 6), *_preview_tags(tiff))
    first = ((254, LONG, 1), (259, SHORT, 6), (330, LONG, frame), *_preview_tags(tiff), *_body_tags(tiff, exif))
    return tiff.finish(tiff.put_directory(*first, following=small))


def build_orf(picture: NDArray[np.uint16], exif: Exif) -> bytes:
    """Build a file with a special header and one directory without a colour filter, in strips of a few rows."""
    tiff = TiffBuilder(b"II", b"RO")
    tags = _frame_tags(tiff, picture, 16, strip_rows=STRIP_ROWS)
    return tiff.finish(tiff.put_directory(*tags, (262, SHORT, 1), *_body_tags(tiff, exif)))


def build_pef(picture: NDArray[np.uint16], exif: Exif) -> bytes:
    """Build the frame's directory, 12 bits packed, then two of previews."""
    tiff = TiffBuilder(b"MM", b"\0*")
    last = tiff.put_directory((259, SHORT, 6), *_preview_tags(tiff))
    small = tiff.put_directory((259, SHORT, 6), *_preview_tags(tiff), following=last)
    frame = (*_frame_tags(tiff, picture, 12), *CFA_TAGS, *_body_tags(tiff, exif))
    return tiff.finish(tiff.put_directory(*frame, following=small))


LAYOUTS: Final[Mapping[str, Callable[[NDArray[np.uint16], Exif], bytes]]] = {
    "arw": build_arw,
    "cr2": build_cr2,
    "nef": build_nef,
    "orf": build_orf,
    "pef": build_pef,
}


def make_preview() -> bytes:
    """Return a small JPEG."""
    return bytes(imagecodecs.jpeg8_encode(np.full((*THUMBNAIL_PX, 3), 90, np.uint8)))


def _preview_tags(tiff: TiffBuilder) -> tuple[Tag, ...]:
    """Return offset and length of a JPEG only, as most bodies describe a preview."""
    preview = make_preview()
    return (513, LONG, tiff.put(preview)), (514, LONG, len(preview))


def _thumbnail_tags(tiff: TiffBuilder, content: bytes, *, bits: int) -> tuple[Tag, ...]:
    height, width = THUMBNAIL_PX
    place: tuple[Tag, ...] = ((273, LONG, tiff.put(content)), (279, LONG, len(content)), (278, LONG, height))
    return (256, LONG, width), (257, LONG, height), (258, SHORT, (bits,) * 3), (277, SHORT, 3), *place


def _frame_tags(
    tiff: TiffBuilder, picture: NDArray[np.uint16], bits: int, strip_rows: int | None = None
) -> tuple[Tag, ...]:
    height, width = picture.shape
    rows = strip_rows or height
    strips = [
        picture[top : top + rows].astype(f"{tiff.order}u2").tobytes()
        if bits == 16
        else bytes(imagecodecs.packints_encode(picture[top : top + rows], bits))
        for top in range(0, height, rows)
    ]
    places, lengths = tuple(tiff.put(strip) for strip in strips), tuple(len(strip) for strip in strips)
    size: tuple[Tag, ...] = ((256, LONG, width), (257, LONG, height), (258, SHORT, bits), (277, SHORT, 1))
    return *size, (259, SHORT, 1), (273, LONG, places), (278, LONG, rows), (279, LONG, lengths)


def _body_tags(tiff: TiffBuilder, exif: Exif) -> tuple[Tag, ...]:
    """Return the tags with the body's name and the offset of the EXIF directory."""

    def ratio(number: int, value: float | Fraction) -> Tag:
        parts = Fraction(value).limit_denominator(1000)
        return number, RATIONAL, (parts.numerator, parts.denominator)

    directory = tiff.put_directory(
        ratio(33434, exif.exposure_s),
        ratio(33437, exif.f_number),
        (34855, SHORT, exif.iso),
        (36867, ASCII, exif.date),
        ratio(37386, exif.focal_length_mm),
        (42033, ASCII, exif.body_serial),
        (42036, ASCII, exif.lens_model),
        (42037, ASCII, exif.lens_serial),
    )
    return (271, ASCII, exif.body_make), (272, ASCII, exif.body_model), (34665, LONG, directory)
