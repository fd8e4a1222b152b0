"""Reader of raw files with LibRaw. Only this module imports rawpy.

rawpy's arrays keep the file open as long as they exist, unless it is closed; then they must not be used any more."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import rawpy

from glasswright import Unmeasurable
from glasswright_camera.raw.frame_size import LARGEST_FRAME_PX, check_size

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray


LIBRAW_VERSION: Final = ".".join(str(part) for part in rawpy.libraw_version)
PLANE_OF_LETTER: Final = {"R": "red", "G": "green", "B": "blue"}
PLANES: Final = ("red", "green", "blue")
SQUARE: Final = 0.005
"""Largest deviation of a square pixel's aspect ratio from 1."""
UNSUPPORTED: Final = (rawpy.LibRawFileUnsupportedError, rawpy.NotSupportedError, NotImplementedError)
"""Errors for an unknown format or body, or a damaged header."""
UNREADABLE: Final = (
    rawpy.LibRawError,
    rawpy.NotSupportedError,
    NotImplementedError,
    MemoryError,
    ValueError,
    OSError,
)
"""Errors observed when opening damaged files."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RawFrame:
    """A raw frame as read by LibRaw, not yet checked."""

    values: NDArray[np.uint16]
    """(height, width): the visible frame, black not subtracted. LibRaw's own memory where the frame has no margin."""
    pattern: NDArray[np.int64]
    """(period height, period width): index into `planes` of each site of the visible frame."""
    planes: tuple[str, ...]
    black_dn: NDArray[np.float64]
    """Shape of `pattern`."""
    white_dn: float
    top_px: int
    left_px: int
    """Width of the masked margin cut off; `top_px` is that above."""
    notes: tuple[str, ...] = ()


def read_raw(path: str, *, monochrome: bool, largest_px: int = LARGEST_FRAME_PX) -> RawFrame:
    """Read the undemosaiced frame of a raw file.

    Parameters
    ----------
    path
        The file.
    monochrome
        Whether the body has no colour filter. To LibRaw such a file and one without its pattern look the same.
    largest_px
        Most pixels that the header may claim.

    Raises
    ------
    Unmeasurable
        Where the file cannot be read, LibRaw reports damage, or there is no mosaic.
    """
    messages: list[str] = []
    try:
        with collect_messages(messages, path):
            raw = rawpy.imread(path)
            check_size(raw.sizes.raw_width, raw.sizes.raw_height, largest_px=largest_px)
            refuse_strange_layout(raw, monochrome=monochrome)
            frame = take_frame(raw, monochrome=monochrome)
    except UNREADABLE as error:
        text = "; ".join([describe(error), *messages])
        remedy = "copy it again, or shoot it again"
        if isinstance(error, UNSUPPORTED):
            remedy = (
                "it is no raw file, or damaged (copy it again), or of a body or kind of raw that this LibRaw does not "
                "know (set the body to another kind, or convert it to DNG without demosaicing)"
            )
        raise Unmeasurable(f"the raw file cannot be read: LibRaw {LIBRAW_VERSION} says {text}; {remedy}") from error
    if messages:
        raise Unmeasurable(
            f"the raw file is damaged: LibRaw {LIBRAW_VERSION} reports {'; '.join(dict.fromkeys(messages))}; "
            "copy it again, or shoot it again"
        )
    return frame


def describe(error: Exception) -> str:
    """Return LibRaw's text for an error, which rawpy passes as bytes."""
    first = error.args[0] if error.args else ""
    text = first.decode(errors="replace") if isinstance(first, bytes) else str(first)
    return f'"{text}"' if text else type(error).__name__


def refuse_strange_layout(raw: Any, *, monochrome: bool) -> None:  # noqa: ANN401 - rawpy has no types
    """Raise Unmeasurable for anything but one mosaic."""
    if raw.raw_type != rawpy.RawType.Flat or raw.raw_pattern is None:
        raise Unmeasurable(
            "the file's pixels are already demosaiced (a linear or YCbCr raw), and the effect of interpolation on an "
            "edge cannot be separated from the lens's; shoot plain raw, convert without demosaicing"
        )
    if monochrome and raw.raw_pattern.size > 1:
        raise Unmeasurable(
            "the stand file says `monochrome: true`, but the file has a colour filter pattern: is it from this body?"
        )
    if not monochrome and raw.raw_pattern.size == 1:
        raise Unmeasurable(
            "the file has no colour filter pattern: either it was lost on the way (copy it again), or the body has "
            "no filter (then write `monochrome: true` for the stand's sensor)"
        )


def take_frame(raw: Any, *, monochrome: bool) -> RawFrame:  # noqa: ANN401 - rawpy has no types
    """Return the visible frame, its pattern and its levels, all starting at the visible frame's corner."""
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    height, width = raw.raw_pattern.shape
    colour = np.array([[raw.raw_color(top + row, left + column) for column in range(width)] for row in range(height)])
    pattern = np.zeros_like(colour) if monochrome else plane_of_colour(raw.color_desc.decode())[colour]
    black = np.array(raw.black_level_per_channel, dtype=np.float64)
    white = [raw.white_level, *(level for level in raw.camera_white_level_per_channel or () if level > black.max())]
    return RawFrame(
        values=np.require(raw.raw_image_visible, np.uint16, ["C", "W"]),
        pattern=pattern.astype(np.int64),
        planes=("white",) if monochrome else PLANES,
        black_dn=black[colour % len(black)],
        white_dn=float(min(white)),
        top_px=top,
        left_px=left,
        notes=note_aspect(raw.sizes.pixel_aspect),
    )


def note_aspect(aspect: float) -> tuple[str, ...]:
    """Return a note if the pixels are not square, which is not corrected."""
    if abs(aspect - 1) <= SQUARE:
        return ()
    return (f"the pixels are not square (their sides are as {aspect:.3g} to 1): distances are not corrected for it",)


def plane_of_colour(letters: str) -> NDArray[np.int64]:
    """Return the plane of each of LibRaw's colour numbers; both greens are one plane.

    Raises
    ------
    Unmeasurable
        Where the filter has colours other than red, green and blue.
    """
    if set(letters) != set(PLANE_OF_LETTER):
        raise Unmeasurable(f"the colour filter has the colours {letters}; only red, green and blue are measured")
    return np.array([PLANES.index(PLANE_OF_LETTER[letter]) for letter in letters])


STANDARD_ERROR: Final = 2
DAMAGE: Final = re.compile(r"unexpected end of file|data corrupted at|corrupt|truncat", re.IGNORECASE)
"""LibRaw's messages for data that ended early or are invalid."""


@contextmanager
def collect_messages(messages: list[str], about: str) -> Iterator[None]:
    """Collect the lines about damage written to file descriptor 2 in the block; pass all others on.

    Parameters
    ----------
    messages
        Filled when the block ends.
    about
        The file being read; lines that name it are collected, too.

    Notes
    -----
    The descriptor belongs to the whole process, so two threads must not do this at once. Each task has its own process.
    """
    sys.stderr.flush()
    kept = os.dup(STANDARD_ERROR)
    with tempfile.TemporaryFile() as caught:
        os.dup2(caught.fileno(), STANDARD_ERROR)
        try:
            yield
        finally:
            sys.stderr.flush()
            os.dup2(kept, STANDARD_ERROR)
            os.close(kept)
            caught.seek(0)
            messages += sort_lines(caught.read(), about)


def sort_lines(text: bytes, about: str) -> list[str]:
    """Return the lines about the file or damage; write the others to standard error."""
    found = []
    for line in text.decode(errors="replace").splitlines():
        if about in line or DAMAGE.search(line):
            found.append(line.replace(about, "").strip(" :\t"))
        elif line:
            os.write(STANDARD_ERROR, f"{line}\n".encode())
    return found
