"""Location of EXIF in the kinds of raw file: a TIFF structure, which is the file itself or a part of it."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, BinaryIO, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

TIFF_STARTS: Final = (b"II*\0", b"MM\0*")
CR3: Final = b"ftypcrx "
"""Bytes 4 to 12 of a cr3, a file in the ISO base media format (ISO/IEC 14496-12)."""
LONG_LENGTH: Final = 1
"""Value of a box's length that means: the length follows the name, in eight bytes."""
MOVIE: Final = b"moov"
DIRECTORIES: Final = (b"CMT1", b"CMT2")
"""Boxes of a cr3 with the first TIFF 6.0 directory and the EXIF directory (from memory: in no standard)."""
BLOCKS: Final = b"\0MRM"
"""First bytes of mrw, a sequence of blocks of which one is a TIFF (from memory)."""
TIFF_BLOCK: Final = b"\0TTW"
EXIF_SEGMENT: Final = b"Exif\0\0"
"""Marker before the TIFF structure in a JPEG's APP1 segment (Exif 2.32, 4.7.2)."""
SEARCHED_BYTES: Final = 262_144
"""Length of the front part of a file that is searched for previews with EXIF (raf, rw2)."""
MOST_BYTES: Final = 4_194_304
"""Longer than any block; a greater length is damaged."""


def find_blocks(file: BinaryIO) -> Iterator[BinaryIO]:
    """Yield the TIFF structures with a file's EXIF, best first, each as a separate file object.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    file.seek(0)
    start = file.read(12)
    if start[4:] == CR3:
        yield from _blocks_of_cr3(file)
    elif start[:4] == BLOCKS:
        yield from _block_of_row(file)
    else:
        yield file


def find_embedded_blocks(file: BinaryIO) -> Iterator[BinaryIO]:
    """Yield the EXIF of the JPEG previews at the front of a file."""
    file.seek(0)
    data = file.read(SEARCHED_BYTES)
    place = data.find(EXIF_SEGMENT)
    while place >= 0:
        begin = place + len(EXIF_SEGMENT)
        if data[begin : begin + 4] in TIFF_STARTS:
            yield BytesIO(data[begin:])
        place = data.find(EXIF_SEGMENT, begin)


def _blocks_of_cr3(file: BinaryIO) -> Iterator[BinaryIO]:
    place = 0
    while True:
        file.seek(place)
        head = file.read(8)
        length = int.from_bytes(head[:4], "big")
        if length == LONG_LENGTH:
            length = int.from_bytes(file.read(8), "big")
        if len(head) < 8 or length < 8:
            return
        if head[4:] == MOVIE:
            break
        place += length
    movie = file.read(min(length, MOST_BYTES))
    for name in DIRECTORIES:
        found = movie.find(name)
        if found >= 4:
            yield BytesIO(movie[found + 4 : found - 4 + int.from_bytes(movie[found - 4 : found], "big")])


def _block_of_row(file: BinaryIO) -> Iterator[BinaryIO]:
    file.seek(8)
    while len(head := file.read(8)) == 8:
        length = int.from_bytes(head[4:], "big")
        if head[:4] == TIFF_BLOCK:
            yield BytesIO(file.read(min(length, MOST_BYTES)))
            return
        file.seek(length, 1)
