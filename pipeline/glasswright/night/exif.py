"""What a file's EXIF says of how it was shot."""

from __future__ import annotations

import logging
import struct
from typing import TYPE_CHECKING, Any, Final

import exifread

from glasswright.artefact import CaptureFacts
from glasswright.plain_text import escape

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

CAMERA_SERIAL: Final = "Image Tag 0xC62F"
"""CameraSerialNumber of the DNG specification, which the reader has no name for."""
BROKEN_EXIF: Final = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    MemoryError,
    NotImplementedError,
    RecursionError,
    TypeError,
    ValueError,
    struct.error,
)
"""What a pure Python reader raises on bytes that only look like EXIF."""


def read_facts(path: Path) -> CaptureFacts:
    """Give the capture facts of a file; all None where it has no EXIF, or none that can be read.

    Tag names are those of Exif 2.32 (CIPA DC-008). Maker notes and thumbnails are not opened. Numbers that are
    zero or 0/0 are how bodies write "unknown" and count as nothing.

    Raises
    ------
    OSError
        If the file cannot be opened at all.
    """
    # the reader logs a line for every file without EXIF, which is no fault here
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    with path.open("rb") as file:
        try:
            tags = exifread.process_file(file, details=False, extract_thumbnail=False)
        except BROKEN_EXIF:
            return CaptureFacts()
    return facts_from_tags(tags)


def facts_from_tags(tags: Mapping[str, Any]) -> CaptureFacts:
    """Give the capture facts that a table of EXIF tags holds."""
    return CaptureFacts(
        body_model=_body_model(_text(tags, "Image Make"), _text(tags, "Image Model")),
        body_serial=_text(tags, "EXIF BodySerialNumber") or _text(tags, CAMERA_SERIAL),
        lens_model=_text(tags, "EXIF LensModel") or _text(tags, "Image LensModel"),
        lens_serial=_text(tags, "EXIF LensSerialNumber") or _text(tags, "Image LensSerialNumber"),
        focal_length_mm=_number(tags, "EXIF FocalLength") or _number(tags, "Image FocalLength"),
        f_number=_number(tags, "EXIF FNumber") or _number(tags, "Image FNumber"),
        exposure_time_s=_number(tags, "EXIF ExposureTime") or _number(tags, "Image ExposureTime"),
        iso=_number(tags, "EXIF ISOSpeedRatings") or _number(tags, "EXIF PhotographicSensitivity"),
        captured_at=_text(tags, "EXIF DateTimeOriginal") or _text(tags, "Image DateTime"),
    )


def _body_model(make: str | None, model: str | None) -> str | None:
    """Join maker and model, unless the model already begins with the maker's name."""
    if not make or not model:
        return model or make
    return model if model.casefold().startswith(make.casefold()) else f"{make} {model}"


def _text(tags: Mapping[str, Any], name: str) -> str | None:
    tag = tags.get(name)
    text = " ".join(str(getattr(tag, "values", "")).replace("\0", " ").split())
    return escape(text) or None


def _number(tags: Mapping[str, Any], name: str) -> float | None:
    values = getattr(tags.get(name), "values", None)
    first: Any = values[0] if isinstance(values, list) and values else 0
    try:
        # a rational over zero keeps its parts apart, and fails here
        number = float(first.num) / float(first.den) if hasattr(first, "den") else float(first)
    except (ArithmeticError, TypeError, ValueError):
        return None
    return number if 0 < number < float("inf") else None
