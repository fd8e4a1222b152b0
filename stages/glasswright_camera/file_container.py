"""A TIFF's image directories, read in one go and trusted in nothing."""

from __future__ import annotations

import logging
import struct
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from tifffile import FileHandle, TiffFile, TiffFileError, TiffPage

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

TIFF_STARTS: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
IMAGE_WIDTH: Final = 256
MOST_PAGES: Final = 100
"""No raw file has a tenth as many."""
UNREADABLE: Final = (
    TiffFileError,
    struct.error,
    OSError,
    ValueError,
    TypeError,
    IndexError,
    KeyError,
    OverflowError,
    RuntimeError,
    MemoryError,
)
"""All that reading damaged directories has been seen to raise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Container:
    """An open TIFF."""

    top: tuple[TiffPage, ...]
    """Image directories of the file's own chain."""
    pages: tuple[TiffPage, ...]
    """These, and those inside them, where raws keep the main frame."""
    file: FileHandle


def is_tiff(path: str) -> bool:
    """Say whether the file starts as a TIFF does."""
    with Path(path).open("rb") as file:
        return file.read(4) in TIFF_STARTS


@contextmanager
def open_tiff(path: str) -> Iterator[Container]:
    """Open a TIFF and read all its directories; the library's own remarks on damage are not passed on.

    Raises
    ------
    Unmeasurable
        Where the directories cannot be read: the data's fault.
    """
    logger = logging.getLogger("tifffile")
    before, logger.disabled = logger.disabled, True
    try:
        try:
            tiff = TiffFile(path)
        except UNREADABLE as error:
            raise directory_error(error) from error
        with tiff:
            yield read_directories(tiff)
    finally:
        logger.disabled = before


def read_directories(tiff: TiffFile) -> Container:
    """Read every image directory.

    Raises
    ------
    Unmeasurable
        Where that fails.
    """
    try:
        top = take_pages(tiff.pages)
        inner = tuple(page for each in top for page in take_pages(each.pages or ()))
    except UNREADABLE as error:
        raise directory_error(error) from error
    return Container(top=top, pages=(*top, *inner), file=tiff.filehandle)


def take_pages(chain: Iterable[object]) -> tuple[TiffPage, ...]:
    """Read a chain of directories, but not on through whatever a damaged link points at.

    Raises
    ------
    Unmeasurable
        Where one is no image's, or there is no end of them.
    """
    pages: list[TiffPage] = []
    for page in chain:
        if not isinstance(page, TiffPage) or IMAGE_WIDTH not in page.tags or len(pages) == MOST_PAGES:
            raise Unmeasurable(f"the file's directory {len(pages) + 1} describes no image: copy it again")
        pages.append(page)
    return tuple(pages)


def directory_error(error: Exception) -> Unmeasurable:
    """Give the finding for a directory that cannot be read."""
    return Unmeasurable(f"the file's directory cannot be read ({error}): copy it again")


def tag_of(page: TiffPage, code: int) -> Any:  # noqa: ANN401 - a tag holds what it holds
    """Give a tag's value as it is, or None."""
    tag = page.tags.get(code)
    return None if tag is None else tag.value


def numbers_of(page: TiffPage, code: int) -> tuple[int, ...]:
    """Give a tag's whole numbers: none for a missing tag.

    Raises
    ------
    Unmeasurable
        Where it holds something else.
    """
    value = tag_of(page, code)
    if value is None:
        return ()
    values = tuple(value) if isinstance(value, tuple | list | bytes) else (value,)
    if not all(isinstance(one, int) for one in values):
        raise Unmeasurable(f"tag {code} of the file holds {value!r:.40} in place of whole numbers: copy it again")
    return tuple(int(one) for one in values)


def number_of(page: TiffPage, code: int) -> int | None:
    """Give a tag's first whole number, or None."""
    numbers = numbers_of(page, code)
    return numbers[0] if numbers else None
