"""Capture facts from a file's EXIF."""

from __future__ import annotations

import logging
import re
import struct
from dataclasses import fields
from typing import TYPE_CHECKING, Any, BinaryIO, Final, cast

import exifread

from glasswright.intake.ciff import is_ciff, read_ciff
from glasswright.intake.exif_blocks import find_blocks, find_embedded_blocks
from glasswright.plain_text import escape
from glasswright.plugin.artefact import REHEARSED, CaptureFacts

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

CAMERA_SERIAL: Final = "Image Tag 0xC62F"
"""CameraSerialNumber of the DNG specification, a tag unknown to exifread."""
UNKNOWN: Final = re.compile(r"[\W_0]*|0+(\.0+)? ?mm( f/?0+(\.0+)?)?|n/?a|none|unknown", re.IGNORECASE)
"""How bodies write an unknown lens or number."""
MOST_READS: Final = 200_000
"""Most read calls for one file; exifread makes one for each number, and the longest maker notes seen need a fifth."""
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
"""Exceptions of exifread on bytes that only look like EXIF."""


class CountedReads:
    """A file with a limited number of reads: a damaged link can make EXIF directories endless."""

    def __init__(self, file: BinaryIO) -> None:
        """Start counting the reads of a file."""
        self.seek, self.tell, self._file, self._left = file.seek, file.tell, file, MOST_READS

    def read(self, size: int = -1) -> bytes:
        """Read from the file.

        Raises
        ------
        ValueError
            After too many reads.
        """
        self._left -= 1
        if self._left < 0:
            raise ValueError("EXIF without end")
        return self._file.read(size)


def read_facts(path: Path) -> CaptureFacts:
    """Return the capture facts of a file; all None if it has no readable EXIF.

    Tag names are those of Exif 2.32 (CIPA DC-008). TIFF structures are read first (or their counterparts in cr3, mrw
    and crw), then the previews' EXIF for missing facts (raf, rw2). Maker notes are read only for a body's serial number
    that is found nowhere else. Numbers that are zero or 0/0 mean "unknown".

    Raises
    ------
    OSError
        If the file cannot be opened at all.
    """
    # exifread logs a line for every file without EXIF, which is not an error here
    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    with path.open("rb") as file:
        if is_ciff(file):
            return _read_heap(file)
        tags: dict[str, Any] = {}
        for block in find_blocks(file):
            tags = _read_tags(block) | tags
        facts = facts_from_tags(tags)
        if None in (facts.f_number, facts.focal_length_mm, facts.exposure_time_s, facts.iso, facts.captured_at):
            for block in find_embedded_blocks(file):
                facts = _fill(facts, facts_from_tags(_read_tags(block)))
    return facts


def facts_from_tags(tags: Mapping[str, Any]) -> CaptureFacts:
    """Return the capture facts in a table of EXIF tags."""
    return CaptureFacts(
        body_model=_body_model(_text(tags, "Image Make"), _text(tags, "Image Model")),
        body_serial=_text(tags, "EXIF BodySerialNumber", "Image BodySerialNumber", CAMERA_SERIAL)
        or _text(tags, "MakerNote SerialNumber"),
        lens_model=_text(tags, "EXIF LensModel", "Image LensModel", "MakerNote LensModel"),
        lens_serial=_text(tags, "EXIF LensSerialNumber", "Image LensSerialNumber"),
        focal_length_mm=_number(tags, "EXIF FocalLength", "Image FocalLength"),
        f_number=_number(tags, "EXIF FNumber", "Image FNumber"),
        exposure_time_s=_number(tags, "EXIF ExposureTime", "Image ExposureTime"),
        iso=_number(tags, "EXIF ISOSpeedRatings", "Image ISOSpeedRatings", "MakerNote ISOSetting"),
        captured_at=_text(tags, "EXIF DateTimeOriginal", "Image DateTimeOriginal", "Image DateTime"),
        rehearsed=_text(tags, "Image Software") == REHEARSED,
    )


def _read_heap(file: BinaryIO) -> CaptureFacts:
    try:
        return read_ciff(file)
    except BROKEN_EXIF:
        return CaptureFacts()


def _read_tags(block: BinaryIO) -> dict[str, Any]:
    """Return the tags of a TIFF structure; those of its maker note only if no other tag has the body's serial
    number."""
    tags = _process(block, details=False)
    if "Image ExifOffset" in tags and facts_from_tags(tags).body_serial is None:
        return _process(block, details=True) | tags
    return tags


def _process(block: BinaryIO, *, details: bool) -> dict[str, Any]:
    try:
        return exifread.process_file(cast("BinaryIO", CountedReads(block)), details=details, extract_thumbnail=False)
    except BROKEN_EXIF:
        return {}


def _fill(facts: CaptureFacts, more: CaptureFacts) -> CaptureFacts:
    """Return the facts, with missing ones taken from others."""
    pairs = {each.name: (getattr(facts, each.name), getattr(more, each.name)) for each in fields(CaptureFacts)}
    return CaptureFacts(**{name: other if own is None else own for name, (own, other) in pairs.items()})


def _body_model(make: str | None, model: str | None) -> str | None:
    """Join maker and model, unless the model already begins with the maker's name."""
    if not make or not model:
        return model or make
    return model if model.casefold().startswith(make.casefold()) else f"{make} {model}"


def _text(tags: Mapping[str, Any], *names: str) -> str | None:
    """Return the first known text among some tags."""
    for name in names:
        values = getattr(tags.get(name), "values", "")
        values = values[0] if isinstance(values, list) and len(values) == 1 else values
        text = " ".join(str(values).replace("\0", " ").split())
        if not UNKNOWN.fullmatch(text):
            return escape(text)
    return None


def _number(tags: Mapping[str, Any], *names: str) -> float | None:
    """Return the first positive number among the values of some tags."""
    for name in names:
        values = getattr(tags.get(name), "values", None)
        for value in values if isinstance(values, list) else ():
            try:
                # exifread keeps x/0 as a ratio, which raises here
                number = float(value.num) / float(value.den) if hasattr(value, "den") else float(value)
            except (ArithmeticError, TypeError, ValueError):
                continue
            if 0 < number < float("inf"):
                return number
    return None
