"""Checks of raw files' containers: whether the file is complete, and its pixels unaltered since the sensor."""

from __future__ import annotations

import re
import struct
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

from glasswright import Unmeasurable
from glasswright_camera.raw.container import Container, is_tiff, number_of, numbers_of, open_tiff, tag_of
from glasswright_camera.raw.opcodes import describe_opcodes

if TYPE_CHECKING:
    from tifffile import FileHandle, TiffPage

CFA: Final = 32803
LINEAR_RAW: Final = 34892
UNCOMPRESSED: Final = 1
JPEG: Final = 7
LOSSY: Final = {9: "VC-5 wavelets", 34892: "lossy JPEG"}
UNDECODABLE: Final = {5: "LZW", 8: "deflate", 32773: "PackBits", 32946: "deflate", 52546: "JPEG XL"}
"""Compressions of integers that DNG allows, but LibRaw cannot decode, or decodes wrongly."""
QUANTISED: Final = {32767: "blocks of 16 pixels in as few steps as they need"}
"""Lossy compression that rounds each pixel by itself, so that it neither moves nor blurs edges."""
LEAST_BITS: Final = 1.0
"""Least bits per pixel of lossless compression: noise of half a step has an entropy of 1.05 bits."""
LOSSLESS_FRAME: Final = 0xC3
"""Start-of-frame marker of lossless JPEG (ITU-T T.81, table B.1); all others lose something."""
START_OF_IMAGE: Final = b"\xff\xd8"
END_OF_IMAGE: Final = b"\xff\xd9"
PADDING: Final = 65_536
"""Most filler bytes (zeros, ones) allowed after the end of a stream."""
FLOATING_POINT: Final = 3
CR3: Final = b"ftypcrx "
CR3_IMAGE: Final = b"CMP1"
CR3_HEADER: Final = struct.Struct(">12xII10xB")
"""A cr3's box about an image, from its name on: width, height, and in the lower half of a byte the number of wavelet
levels. There is no standard; in three headers of real files it is 0 in lossless and 3 in lossy ones."""
SEARCHED_BYTES: Final = 262_144
"""The boxes about the images lie at the beginning."""
OFFSETS_AND_COUNTS: Final = ((273, 279), (324, 325), (513, 514))
"""Tags with the offsets and lengths of strips, tiles and previews (TIFF 6.0)."""


def is_mosaic_tiff(path: str) -> bool:
    """Return whether a file with a TIFF's ending contains raw data."""
    with open_tiff(path) as container:
        return any(number_of(page, 262) in (CFA, LINEAR_RAW) for page in container.pages)


def raw_frames(container: Container) -> list[TiffPage]:
    """Return the directories of full-size raw images, the largest first."""
    frames = [
        page for page in container.pages if number_of(page, 262) in (CFA, LINEAR_RAW) and not number_of(page, 254)
    ]
    return sorted(frames, key=size_of, reverse=True)


def size_of(page: TiffPage) -> tuple[int, ...]:
    """Return an image's pixel count, height and width, from its directory."""
    height, width = number_of(page, 257) or 0, number_of(page, 256) or 0
    return height * width, height, width


def check_container(path: str, *, monochrome: bool, black_is_known: bool) -> tuple[str, ...]:
    """Check a raw file's container, if it is a TIFF or a cr3, and return notes.

    Whether a file can be opened, LibRaw decides. Here it is refused only if its pixels were changed after the sensor
    (lossy compression, corrections), or if it is a DNG, which LibRaw reads by its tags, and the tags show damage.

    Parameters
    ----------
    path
        The file.
    monochrome
        Whether the stand's body has no colour filter.
    black_is_known
        Whether the stand file has the black level, so that the file's own is not used.

    Raises
    ------
    Unmeasurable
        Names the fault.
    """
    if not is_tiff(path):
        check_wavelets(path)
        return ()
    with open_tiff(path) as container:
        frames = raw_frames(container)
        if not frames:
            if container.is_dng:
                raise Unmeasurable("the directory of the DNG's raw frame is missing or damaged: copy it again")
            return ()
        same = sum(size_of(frame) == size_of(frames[0]) for frame in frames)
        if same > 1:
            raise Unmeasurable(
                f"the file holds {same} raw images (pixel shift or a burst), which may differ in light; shoot single "
                "frames"
            )
        notes = check_compression(frames[0], container.file)
        if container.is_dng:
            check_dng_frame(frames[0], container.file, monochrome=monochrome, black_is_known=black_is_known)
        lists = {number: tag_of(frames[0], code) for number, code in enumerate((51008, 51009, 51022), start=1)}
        return (*notes, *describe_opcodes(lists))


def check_dng_frame(page: TiffPage, file: FileHandle, *, monochrome: bool, black_is_known: bool) -> None:
    """Raise Unmeasurable if a DNG's frame is incomplete, or LibRaw is known to misread it."""
    check_extents(page, file.size)
    check_samples(page)
    check_overlap(page)
    if number_of(page, 259) == JPEG:
        check_streams(page, file)
    if number_of(page, 262) == CFA and tag_of(page, 33422) is None and not monochrome:
        raise Unmeasurable(
            "the file has a colour filter but its pattern is missing (tag 33422, CFAPattern), and a reader would "
            "guess: copy it again, or shoot it again"
        )
    if not black_is_known and any(any(numbers_of(page, code)[0::2]) for code in (50715, 50716)):
        raise Unmeasurable(
            "the file's black level changes from row to row or column to column (BlackLevelDeltaV or H), which is "
            "not supported: give `black_dn` for the stand's sensor"
        )


def check_wavelets(path: str) -> None:
    """Raise Unmeasurable if a cr3 is compressed by wavelets; with no wavelet levels it is lossless."""
    with Path(path).open("rb") as file:
        head = file.read(SEARCHED_BYTES)
    if head[4:12] != CR3:
        return
    places = [found.start() for found in re.finditer(CR3_IMAGE, head) if found.start() + CR3_HEADER.size <= len(head)]
    images = [CR3_HEADER.unpack_from(head, place) for place in places]
    # the largest is the raw frame
    if images and max(images, key=lambda image: image[0] * image[1])[2] & 0x0F:
        raise lossy_error("wavelets")


def check_bits(path: str, pixel_count: int) -> None:
    """Raise Unmeasurable if the frame has fewer bits per pixel than sensor noise needs, so that it must be lossy.

    Bits are counted from the frame's offset to the end of the file, as lengths in the tags may be wrong.

    Parameters
    ----------
    path
        The file.
    pixel_count
        Number of pixels that LibRaw decoded.

    Raises
    ------
    Unmeasurable
        Names the bits per pixel.
    """
    if not is_tiff(path):
        return
    with open_tiff(path) as container:
        frames = raw_frames(container)
        starts = [offset for offset, _ in pieces_of(frames[0])] if frames else []
        bits = 8 * (container.file.size - min(starts)) / pixel_count if starts else LEAST_BITS
    if bits < LEAST_BITS:
        raise Unmeasurable(
            f"corrections baked in: the pixels are compressed to at most {bits:.2f} bits each, fewer than sensor noise "
            f"needs (over {LEAST_BITS:g}), so the compression is lossy, which alters edges; save raw uncompressed or "
            "losslessly compressed"
        )


def pieces_of(page: TiffPage) -> list[tuple[int, int]]:
    """Return offset and length of each strip or tile of an image."""
    return [
        piece
        for offset_code, count_code in OFFSETS_AND_COUNTS[:2]
        for piece in zip(numbers_of(page, offset_code), numbers_of(page, count_code), strict=False)
    ]


def check_extents(page: TiffPage, size: int) -> None:
    """Raise Unmeasurable if a strip or tile of the image is missing, or reaches beyond the end of the file."""
    for offset_code, count_code in OFFSETS_AND_COUNTS:
        offsets, counts = numbers_of(page, offset_code), numbers_of(page, count_code)
        if len(offsets) != len(counts):
            raise Unmeasurable(
                f"the file lists {len(offsets)} pieces of an image but {len(counts)} lengths: copy it again"
            )
        for number, (offset, count) in enumerate(zip(offsets, counts, strict=True), start=1):
            if offset + count > size:
                raise Unmeasurable(
                    f"the copy is incomplete: piece {number} of {len(offsets)} of an image ends at byte "
                    f"{offset + count}, the file at {size}; copy it again"
                )
    if number_of(page, 262) in (CFA, LINEAR_RAW) and not sum(count for _, count in pieces_of(page)):
        raise Unmeasurable("the file has no pixel data (its strips are empty): copy it again")


def check_overlap(page: TiffPage) -> None:
    """Raise Unmeasurable if two strips or tiles of the frame share bytes, so that one offset is wrong."""
    pieces = sorted(pieces_of(page))
    for (offset, count), (following, _) in pairwise(pieces):
        if following < offset + count:
            raise Unmeasurable(
                f"two pieces of the frame share the bytes from {following} on: the file's directory is damaged; copy "
                "it again"
            )


def check_samples(page: TiffPage) -> None:
    """Raise Unmeasurable for an uncompressed frame with fewer bytes than its pixels need."""
    width, height = number_of(page, 256), number_of(page, 257)
    if not width or not height:
        raise Unmeasurable("the file does not say how wide or high its frame is: copy it again")
    needed = width * height * sum(numbers_of(page, 258)) // 8
    held = sum(count for _, count in pieces_of(page))
    if number_of(page, 259) == UNCOMPRESSED and held < needed:
        raise Unmeasurable(f"the file's pixels need {needed} bytes, it lists {held}: copy it again")


def check_compression(page: TiffPage, file: FileHandle) -> tuple[str, ...]:
    """Raise Unmeasurable for lossy compression and for number formats that LibRaw may misread; return notes."""
    if FLOATING_POINT in numbers_of(page, 339):
        raise Unmeasurable("the pixels are floating point, which LibRaw can misread silently: save integers")
    compression = number_of(page, 259)
    if compression in UNDECODABLE:
        raise Unmeasurable(
            f"the pixels are compressed as {UNDECODABLE[compression]}, which LibRaw cannot decode; save raw "
            "uncompressed or as lossless JPEG"
        )
    if compression in LOSSY:
        raise lossy_error(LOSSY[compression])
    if compression == JPEG and is_lossy_jpeg(page, file):
        raise lossy_error("lossy JPEG")
    if compression in QUANTISED:
        return (f"the pixels are compressed with losses ({QUANTISED[compression]})",)
    return ()


def lossy_error(name: str) -> Unmeasurable:
    """Return the error for lossy compression."""
    return Unmeasurable(
        f"corrections baked in: the pixels are compressed as {name}, which alters edges; save raw uncompressed or "
        "losslessly compressed"
    )


def is_lossy_jpeg(page: TiffPage, file: FileHandle) -> bool:
    """Return whether the frame's first JPEG stream is lossy."""
    pieces = pieces_of(page)
    frame = first_frame_marker(read_at(file, pieces[0][0], min(pieces[0][1], 65536))) if pieces else None
    return frame is not None and frame != LOSSLESS_FRAME


def check_streams(page: TiffPage, file: FileHandle) -> None:
    """Raise Unmeasurable if a lossless JPEG stream of a DNG lacks its beginning or end, or is one of several strips.

    LibRaw silently replaces a tile whose stream was overwritten with zeros by a copy of another tile.
    """
    pieces = pieces_of(page)
    for number, (offset, count) in enumerate(pieces, start=1):
        start, end = read_at(file, offset, 2), read_at(file, offset + max(count - PADDING, 0), min(count, PADDING))
        if start != START_OF_IMAGE or not end.rstrip(b"\0\xff").endswith(END_OF_IMAGE):
            raise Unmeasurable(
                f"piece {number} of {len(pieces)} of the frame's lossless JPEG lacks its "
                f"{'beginning' if start != START_OF_IMAGE else 'end'}: part of the pixel data was lost; copy the file "
                "again"
            )
    if len(numbers_of(page, 273)) > 1:
        raise Unmeasurable(
            f"the frame is lossless JPEG in {len(pieces)} strips, which LibRaw can decode wrongly from the second on "
            "without saying so: save it as one strip, as tiles or uncompressed"
        )


def read_at(file: FileHandle, offset: int, count: int) -> bytes:
    """Return bytes of the file."""
    file.seek(offset)
    return file.read(count)


def first_frame_marker(stream: bytes) -> int | None:
    """Return the first start-of-frame marker in a JPEG stream's segments (ITU-T T.81, B.1.1), or None.

    Some bodies swap the bytes of every pair; they are swapped back first.
    """
    if stream[:2] == START_OF_IMAGE[::-1]:
        even = stream[: len(stream) // 2 * 2]
        stream = bytes(byte for pair in zip(even[1::2], even[0::2], strict=True) for byte in pair)
    if stream[:2] != START_OF_IMAGE:
        return None
    place = 2
    while place + 4 <= len(stream) and stream[place] == 0xFF:
        marker = stream[place + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            return marker
        place += 2 + int.from_bytes(stream[place + 2 : place + 4], "big")
    return None
