"""Check of LibRaw's black levels against those in a DNG's tags."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.raw.container import is_tiff, numbers_of, open_tiff
from glasswright_camera.raw.file_checks import raw_frames

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from tifffile import TiffPage

    from glasswright_camera.raw.libraw import RawFrame

ROUNDING_DN: Final = 0.51
"""LibRaw keeps black levels as integers."""
RATIONAL: Final = 5


def check_black(path: str, frame: RawFrame) -> None:
    """Raise Unmeasurable if a DNG's black levels differ, site by site, from LibRaw's.

    LibRaw 0.22 lists them by colour, at most four, and misplaces them if the active area starts on an odd row or
    column.

    Raises
    ------
    Unmeasurable
        Names both; `black_dn` in the stand file overrides them.
    """
    if not is_tiff(path):
        return
    with open_tiff(path) as container:
        frames = raw_frames(container)
        if not frames or not container.is_dng:
            return
        expected = black_of_sites(frames[0], frame)
    if expected is None:
        return
    given = np.tile(frame.black_dn, np.floor_divide(expected.shape, frame.black_dn.shape))
    if np.abs(expected - given).max() > ROUNDING_DN:
        raise Unmeasurable(
            f"the file's black levels are {show(expected)}, LibRaw gives {show(frame.black_dn)} (it misplaces them "
            "where the active area starts on an odd row or column): give `black_dn` for the stand's sensor"
        )


def black_of_sites(page: TiffPage, frame: RawFrame) -> NDArray[np.float64] | None:
    """Return the black level of each site of the visible frame's pattern, or None where the tags do not fit.

    The levels repeat from the upper left corner of the active area (DNG 1.6, BlackLevelRepeatDim).
    """
    rows, columns = (*numbers_of(page, 50713), 1, 1)[:2]
    levels = read_levels(page)
    if levels.size != rows * columns:
        return None
    top, left = (*numbers_of(page, 50829), 0, 0)[:2]
    table = levels.reshape(rows, columns)
    height, width = np.lcm(frame.black_dn.shape, table.shape)
    row = (np.arange(height) + frame.top_px - top) % rows
    column = (np.arange(width) + frame.left_px - left) % columns
    return np.asarray(table[np.ix_(row, column)])


def read_levels(page: TiffPage) -> NDArray[np.float64]:
    """Return the BlackLevel tag's values; a rational comes as pairs."""
    values = np.array(numbers_of(page, 50714) or (0,), dtype=np.float64)
    tag = page.tags.get(50714)
    if tag is not None and int(tag.dtype) == RATIONAL:
        values = values[0::2] / np.maximum(values[1::2], 1)
    return values


def show(levels: NDArray[np.float64]) -> str:
    """Return levels as text for a message."""
    return ", ".join(f"{level:g}" for level in levels.ravel()[:8])
