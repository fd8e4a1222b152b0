"""The sensor data of one shot, undemosaiced."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Bulk, CaptureFacts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Mosaic(Bulk):
    """One frame of linear sensor data.

    The light at pixel (x, y) of channel c is ``(values[c, y, x] - black_dn[c, y % h, x % w]) / (white_dn - black)``
    and belongs to plane ``pattern[c, y % h, x % w]``, where (h, w) is the pattern's period. A Bayer frame has one
    channel and a 2 x 2 pattern, an RGB photograph three channels and a 1 x 1 pattern, a monochrome one of each.
    """

    values: NDArray[np.uint16]
    """(channels, height, width), as read: black not subtracted."""
    pattern: NDArray[np.int64]
    """(channels, period height, period width): the plane of each site."""
    planes: tuple[str, ...]
    """Names of the planes: red, green, blue; or white. Both greens of a Bayer cell are one plane."""
    black_dn: NDArray[np.float64]
    """Shape of `pattern`."""
    white_dn: float
    """Value from which on a pixel counts as clipped."""
    facts: CaptureFacts
    role: str
    """The shot's role."""
    shot: str
    """The shot's name, for messages."""
    sequence_count: int = 0
    """The shot's place in its series."""
    pixel_digest: str = ""
    """Digest of the file's values; empty where they do not identify the frame."""

    def name_content(self) -> str:
        """Return the digest of the frame's pixels, which does not depend on the file's metadata."""
        return self.pixel_digest
