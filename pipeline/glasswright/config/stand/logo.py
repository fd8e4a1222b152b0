"""The shop's logo: a PNG or JPEG file that the stand file names, for the head of records."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

LARGEST_BYTES: Final = 500_000
LOGO_FORMATS: Final = ("PNG", "JPEG")
DRAWN_MODES: Final = ("L", "RGB")
"""Colour modes of a JPEG file that a PDF shows as they are."""
MOST_PIXELS: Final = 2000
"""Along each side."""


class LogoError(ValueError):
    """The file cannot be used as a logo; the message says why, and what to do."""


def read_logo(path: Path) -> bytes:
    """Read a logo and check that it can be drawn.

    Raises
    ------
    LogoError
        If it is missing, too large, or neither a PNG nor a JPEG file.
    """
    from PIL import Image

    try:
        size = path.stat().st_size
        if size > LARGEST_BYTES:
            raise LogoError(f"the logo has {size} bytes, at most {LARGEST_BYTES}: make it smaller")
        data = path.read_bytes()
    except OSError as error:
        raise LogoError(f"the logo cannot be read ({error.strerror or error}): correct the name") from error
    try:
        with Image.open(io.BytesIO(data), formats=LOGO_FORMATS) as picture:
            width, height = picture.size
            if max(width, height) > MOST_PIXELS:
                what = f"the logo is {width} x {height} pixels, at most {MOST_PIXELS} along each side"
                raise LogoError(f"{what}: make it smaller")
            if picture.format == "JPEG" and picture.mode not in DRAWN_MODES:
                raise LogoError(f"the logo is a JPEG in {picture.mode} colours: write it as RGB, or as PNG")
            picture.load()
    except (OSError, SyntaxError, Image.DecompressionBombError) as error:
        raise LogoError("the logo is not a readable PNG or JPEG: export it as PNG, 600 pixels wide or more") from error
    return data
