"""Limits on the frame size that a header may claim, checked before memory is allocated."""

from __future__ import annotations

from typing import Final

from glasswright import Unmeasurable

LARGEST_FRAME_PX: Final = 400_000_000
"""More than twice the largest sensor of known raw formats (common practice, no source)."""
MOST_COMPRESSION: Final = 100
"""Bytes of pixels per byte of file. Deflate reaches 1032 on constant data (RFC 1951: 258 bytes from 2 bits); with
sensor noise at least one bit in eight remains."""
UNSUSPECTED_BYTES: Final = 256 * 2**20
"""Frames up to this size are not checked, as they do no harm."""


def check_size(width: int, height: int, *, largest_px: int = LARGEST_FRAME_PX) -> None:
    """Raise `Unmeasurable` for a frame without pixels, or with more than the stand's sensor can have."""
    if width < 1 or height < 1:
        raise Unmeasurable(f"the header claims {width} x {height} pixels: copy the file again")
    if width * height > largest_px:
        raise Unmeasurable(
            f"the header claims {width} x {height} pixels, over {largest_px / 1e6:g} megapixels: copy the file again; "
            "if the body's frames are that large, raise `largest_frame_px` of the stand's sensor"
        )


def check_compression_ratio(pixel_bytes: int, held_bytes: int) -> None:
    """Raise `Unmeasurable` for a large frame from fewer bytes than any photograph needs."""
    if pixel_bytes > UNSUSPECTED_BYTES and pixel_bytes > MOST_COMPRESSION * held_bytes:
        raise Unmeasurable(
            f"the header claims {pixel_bytes / 1e6:.0f} MB of pixels, packed into {held_bytes / 1e6:.3g} MB, which no "
            "photograph can be: copy the file again"
        )
