"""Capture facts of crw files, which have CIFF records instead of EXIF (CIFF 1.0 revision 4; fields from memory)."""

from __future__ import annotations

import struct
from datetime import UTC, datetime
from typing import TYPE_CHECKING, BinaryIO, Final

from glasswright.plain_text import escape
from glasswright.plugin.artefact import CaptureFacts

if TYPE_CHECKING:
    from collections.abc import Iterator

SIGNATURE: Final = b"HEAPCCDR"
"""Bytes 6 to 14 of the file."""
IN_DIRECTORY: Final = 0x4000
"""Flag in the two highest bits of a record's type: its eight bytes of data are in the directory."""
HEAPS: Final = (0x2800, 0x3000)
"""Data types of records that are themselves heaps."""
MAKE_AND_MODEL, SERIAL, TIME, FOCAL_LENGTH, SHOT, SETTINGS = 0x080A, 0x180B, 0x180E, 0x1029, 0x102A, 0x102D
DEEPEST: Final = 8
MOST_RECORDS: Final = 1000
MOST_BYTES: Final = 4096
"""Longer than any record that is read."""


def is_ciff(file: BinaryIO) -> bool:
    """Return whether a file is a CIFF heap."""
    file.seek(6)
    return file.read(len(SIGNATURE)) == SIGNATURE


def read_ciff(file: BinaryIO) -> CaptureFacts:
    """Return the capture facts in a CIFF heap.

    F-number and exposure time are the values set by the body; exposure and speed are logarithms to base 2 in 32nds of a
    stop. The serial number is used only if focal lengths are in millimetres (bodies with exchangeable lenses); in other
    bodies the record contains something else.

    Raises
    ------
    struct.error, ValueError, OverflowError
        If the heap is damaged.
    """
    file.seek(0)
    order = "<" if file.read(2) == b"II" else ">"
    (start,) = struct.unpack(f"{order}I", file.read(4))
    records = dict(_read_heap(file, order, start, file.seek(0, 2), DEEPEST))

    def numbers(name: int, kind: str, count: int) -> tuple[int, ...]:
        size = struct.calcsize(kind)
        data = records.get(name, b"").ljust(count * size, b"\0")
        return struct.unpack(f"{order}{count}{kind}", data[: count * size])

    make, model, *_ = (*records.get(MAKE_AND_MODEL, b"").split(b"\0"), b"", b"")
    shot, units = numbers(SHOT, "h", 6), numbers(SETTINGS, "H", 26)[25] or 1
    (seconds,), (serial,) = numbers(TIME, "I", 1), numbers(SERIAL, "I", 1)
    speed = 100 * 2 ** (shot[2] / 32 - 5) * 2 ** (shot[1] / 32)
    text = "%Y:%m:%d %H:%M:%S"
    return CaptureFacts(
        body_model=_join(make.decode("ascii", "replace"), model.decode("ascii", "replace")),
        body_serial=str(serial) if serial and units == 1 else None,
        focal_length_mm=numbers(FOCAL_LENGTH, "H", 2)[1] / units or None,
        f_number=2 ** (shot[4] / 64) if shot[4] else None,
        exposure_time_s=2 ** (-shot[5] / 32) if SHOT in records else None,
        iso=speed if shot[2] else None,
        captured_at=datetime.fromtimestamp(seconds, UTC).strftime(text) if seconds else None,
    )


def _join(make: str, model: str) -> str | None:
    return escape((model if model.startswith(make) else f"{make} {model}").strip()) or None


def _read_heap(file: BinaryIO, order: str, start: int, end: int, depth: int) -> Iterator[tuple[int, bytes]]:
    """Yield every record of a heap and of nested heaps: type without its storage bits, and data."""
    file.seek(end - 4)
    (directory,) = struct.unpack(f"{order}I", file.read(4))
    file.seek(start + directory)
    (count,) = struct.unpack(f"{order}H", file.read(2))
    entries = file.read(10 * min(count, MOST_RECORDS))
    for kind, size, offset in struct.iter_unpack(f"{order}HII", entries[: len(entries) // 10 * 10]):
        name = kind & 0x3FFF
        if kind & 0xC000 == IN_DIRECTORY:
            yield name, struct.pack(f"{order}II", size, offset)
        elif kind & 0x3800 in HEAPS:
            if depth and size >= 4 and start + offset + size <= end:
                yield from _read_heap(file, order, start + offset, start + offset + size, depth - 1)
        elif size <= MOST_BYTES:
            file.seek(start + offset)
            yield name, file.read(size)
