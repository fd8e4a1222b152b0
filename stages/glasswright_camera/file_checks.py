"""What a TIFF-based file (DNG, most raws) says of itself: is it whole, and are its pixels as the sensor gave them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tifffile import TiffFile, TiffFileError

from glasswright import Unmeasurable
from glasswright_camera.file_opcodes import describe_opcodes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tifffile import TiffPage

TIFF_STARTS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
CFA: Final = 32803
LINEAR_RAW: Final = 34892
UNCOMPRESSED: Final = 1
JPEG: Final = 7
LOSSY: Final = {34892: "lossy JPEG", 52546: "JPEG XL"}
UNDECODABLE: Final = {5: "LZW", 8: "deflate", 32773: "PackBits", 32946: "deflate"}
"""Integers compressed so are within the DNG rules, but LibRaw cannot decode them, or not rightly."""
LOSSLESS_FRAME: Final = b"\xff\xc3"
"""Start-of-frame marker of lossless JPEG (ITU-T T.81, table B.1); all others lose something."""
FLOATING_POINT: Final = 3
OFFSETS_AND_COUNTS: Final = ((273, 279), (324, 325), (513, 514))
"""Tags that say where strips, tiles and previews lie and how long they are (TIFF 6.0)."""


def is_tiff(path: str) -> bool:
    """Say whether the file starts as a TIFF does."""
    with Path(path).open("rb") as file:
        return file.read(4) in TIFF_STARTS


def is_mosaic_tiff(path: str) -> bool:
    """Say whether a file whose name ends as a TIFF's does holds raw data."""
    with open_tiff(path) as tiff:
        return any(tag_of(page, 262) in (CFA, LINEAR_RAW) for page in all_pages(tiff))


def check_container(path: str, *, monochrome: bool, black_is_known: bool) -> tuple[str, ...]:
    """Check a raw file's container, so far as it is a TIFF; give notes for people.

    Parameters
    ----------
    path
        The file.
    monochrome
        Whether the stand's body has no colour filter.
    black_is_known
        Whether the stand file gives the black level, so that the file's own does not matter.

    Raises
    ------
    Unmeasurable
        Where data lie beyond the end of the file or are missing, where the pixels were changed after the sensor
        (lossy compression, corrections), or where it is known that LibRaw would misread them.
    """
    if not is_tiff(path):
        return ()
    with open_tiff(path) as tiff:
        pages = list(all_pages(tiff))
        for page in pages:
            check_extents(page, tiff.filehandle.size)
        frames = [page for page in pages if tag_of(page, 262) in (CFA, LINEAR_RAW) and not tag_of(page, 254)]
        if len(frames) > 1:
            raise Unmeasurable(
                f"the file holds {len(frames)} raw images (pixel shift or a burst): which one was lit as the others "
                "were cannot be known; shoot single frames"
            )
        return check_frame(frames[0], tiff, monochrome=monochrome, black_is_known=black_is_known) if frames else ()


def check_frame(page: TiffPage, tiff: TiffFile, *, monochrome: bool, black_is_known: bool) -> tuple[str, ...]:
    """Check the image directory of the raw frame; give notes for people."""
    check_samples(page)
    check_compression(page, tiff)
    if tag_of(page, 262) == CFA and tag_of(page, 33422) is None and not monochrome:
        raise Unmeasurable(
            "the file says that its pixels lie under a colour filter but not which (tag 33422, CFAPattern, is "
            "missing), and a reader would guess: copy it again, or shoot it again"
        )
    if not black_is_known and any(any(as_values(tag_of(page, code))) for code in (50715, 50716)):
        raise Unmeasurable(
            "the file's black level changes from row to row or column to column (BlackLevelDeltaV or H), which is "
            "not followed: give `black_dn` for the stand's sensor"
        )
    return describe_opcodes({number: tag_of(page, code) for number, code in enumerate((51008, 51009, 51022), start=1)})


def open_tiff(path: str) -> TiffFile:
    """Open a TIFF; a damaged one is the data's fault."""
    try:
        return TiffFile(path)
    except (TiffFileError, OSError, ValueError, IndexError, KeyError) as error:
        raise Unmeasurable(f"the file's directory cannot be read ({error}): copy it again") from error


def all_pages(tiff: TiffFile) -> Iterator[TiffPage]:
    """Give every image directory, also those inside others, where raws keep the main frame."""
    for page in tiff.pages:
        yield page  # type: ignore[misc]  # a directory read lazily is a frame only within a series
        yield from page.pages or ()  # type: ignore[misc]


def tag_of(page: TiffPage, code: int) -> Any:  # noqa: ANN401 - a tag holds what it holds
    """Give a tag's value, or None."""
    tag = page.tags.get(code)
    return None if tag is None else tag.value


def as_values(value: Any) -> tuple[Any, ...]:  # noqa: ANN401
    """Give a tag's value as a tuple: empty for a missing tag, one member for a single value."""
    if value is None:
        return ()
    return tuple(value) if isinstance(value, tuple | list) else (value,)


def check_extents(page: TiffPage, size: int) -> None:
    """Raise where a strip or tile of the image is missing, empty or reaches beyond the end of the file."""
    for offset_code, count_code in OFFSETS_AND_COUNTS:
        offsets, counts = as_values(tag_of(page, offset_code)), as_values(tag_of(page, count_code))
        if len(offsets) != len(counts):
            raise Unmeasurable(f"the file lists {len(offsets)} pieces of an image but {len(counts)} lengths: damaged")
        for number, (offset, count) in enumerate(zip(offsets, counts, strict=True), start=1):
            if offset + count > size:
                raise Unmeasurable(
                    f"the copy is incomplete: piece {number} of {len(offsets)} of an image ends at byte "
                    f"{offset + count}, the file at {size}; copy it again"
                )
    if tag_of(page, 262) in (CFA, LINEAR_RAW) and not sum(as_values(tag_of(page, 279) or tag_of(page, 325))):
        raise Unmeasurable("the file has no pixel data (its strips are empty): copy it again")


def check_samples(page: TiffPage) -> None:
    """Raise for samples that are not integers, and for an uncompressed frame with fewer bytes than pixels need."""
    if FLOATING_POINT in as_values(tag_of(page, 339)):
        raise Unmeasurable("the pixels are floating point, which LibRaw can misread silently: save integers")
    if tag_of(page, 259) != UNCOMPRESSED:
        return
    bits = sum(as_values(tag_of(page, 258)))
    needed = tag_of(page, 256) * tag_of(page, 257) * bits // 8
    held = sum(as_values(tag_of(page, 279) or tag_of(page, 325)))
    if held < needed:
        raise Unmeasurable(f"the file's pixels need {needed} bytes, it lists {held}: copy it again")


def check_compression(page: TiffPage, tiff: TiffFile) -> None:
    """Raise for compression that changed the pixels, and for the kind that is known to be decoded wrongly."""
    compression = tag_of(page, 259)
    name = LOSSY.get(compression)
    if compression == JPEG and not is_lossless_jpeg(page, tiff):
        name = "lossy JPEG"
    if name:
        raise Unmeasurable(
            f"corrections baked in: the pixels are compressed as {name}, which alters edges; save raw uncompressed "
            "or losslessly compressed"
        )
    if compression in UNDECODABLE:
        raise Unmeasurable(
            f"the pixels are compressed as {UNDECODABLE[compression]}, which LibRaw cannot decode; save raw "
            "uncompressed or as lossless JPEG"
        )
    strips = as_values(tag_of(page, 273))
    if compression == JPEG and len(strips) > 1:
        raise Unmeasurable(
            f"the frame is lossless JPEG in {len(strips)} strips, which LibRaw can decode wrongly from the second on "
            "without saying so: save it as one strip, as tiles or uncompressed"
        )


def is_lossless_jpeg(page: TiffPage, tiff: TiffFile) -> bool:
    """Say whether the first piece of a JPEG-compressed frame has the lossless start-of-frame marker."""
    offset = as_values(tag_of(page, 273) or tag_of(page, 324))[0]
    count = as_values(tag_of(page, 279) or tag_of(page, 325))[0]
    tiff.filehandle.seek(offset)
    return first_frame_marker(tiff.filehandle.read(min(count, 65536))) == LOSSLESS_FRAME


def first_frame_marker(stream: bytes) -> bytes:
    """Give the first start-of-frame marker of a JPEG stream, walking its segments (ITU-T T.81, B.1.1).

    Empty where there is none.
    """
    place = 2
    while place + 4 <= len(stream) and stream[place] == 0xFF:
        marker = stream[place + 1]
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            return stream[place : place + 2]
        place += 2 + int.from_bytes(stream[place + 2 : place + 4], "big")
    return b""
