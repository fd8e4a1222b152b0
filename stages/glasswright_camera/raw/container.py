"""Reader of a TIFF's directories that expects damage."""

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
MOST_PAGES: Final = 100
"""More than ten times what raw files have."""
DEEPEST: Final = 3
"""Levels of directories inside directories: raw files have one, rarely two."""
DNG_VERSION: Final = 50706
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
"""Errors observed when reading damaged directories."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Container:
    """An open TIFF."""

    top: tuple[TiffPage, ...]
    """Directories of the file's own chain."""
    pages: tuple[TiffPage, ...]
    """The same, each followed by the directories inside it, where raw files keep the main frame."""
    file: FileHandle

    @property
    def is_dng(self) -> bool:
        """Whether the tags follow the DNG specification, so that LibRaw reads the frame by them.

        For other raw files LibRaw uses its own data on the body; sizes, lengths and patterns in the tags may be wrong.
        """
        return any(DNG_VERSION in page.tags for page in self.pages)


def is_tiff(path: str) -> bool:
    """Return whether the file starts with a TIFF's signature."""
    with Path(path).open("rb") as file:
        return file.read(4) in TIFF_STARTS


@contextmanager
def open_tiff(path: str) -> Iterator[Container]:
    """Open a TIFF and read its directories; the library's log messages on damage are suppressed.

    Raises
    ------
    Unmeasurable
        Where the first directory cannot be read.
    """
    logger = logging.getLogger("tifffile")
    before, logger.disabled = logger.disabled, True
    try:
        try:
            tiff = TiffFile(path)
        except UNREADABLE as error:
            raise directory_error(error) from error
        with tiff:
            top = read_directories(tiff.pages, 0, set())
            yield Container(top=top, pages=read_directories(tiff.pages, DEEPEST, set()), file=tiff.filehandle)
    finally:
        logger.disabled = before


def read_directories(chain: Iterable[object], depth: int, seen: set[int]) -> tuple[TiffPage, ...]:
    """Read a chain of directories and those inside them, each once, up to the first that cannot be read.

    A chain may contain thumbnails, private directories, loops or wrong offsets. LibRaw does not depend on them, so they
    only end the chain.
    """
    pages: list[TiffPage] = []
    try:
        for page in chain:
            if not isinstance(page, TiffPage) or page.offset in seen or len(seen) == MOST_PAGES:
                break
            seen.add(page.offset)
            pages.append(page)
            if depth > 0:
                pages += read_directories(page.pages or (), depth - 1, seen)
    except UNREADABLE:
        pass
    return tuple(pages)


def directory_error(error: Exception) -> Unmeasurable:
    """Return the finding for a directory that cannot be read."""
    return Unmeasurable(f"the file's directory cannot be read ({error}): copy it again")


def tag_of(page: TiffPage, code: int) -> Any:  # noqa: ANN401 - a tag holds what it holds
    """Return a tag's value as it is, or None."""
    tag = page.tags.get(code)
    return None if tag is None else tag.value


def numbers_of(page: TiffPage, code: int) -> tuple[int, ...]:
    """Return a tag's integers: none for a missing tag.

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
    """Return a tag's first integer, or None."""
    numbers = numbers_of(page, code)
    return numbers[0] if numbers else None
