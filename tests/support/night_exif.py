"""Write the smallest TIFF file with an EXIF directory, by the tag numbers of TIFF 6.0 and CIPA DC-008 (Exif 2.32)."""

import struct

ASCII, SHORT, LONG, RATIONAL = 2, 3, 4, 5
MAKE, MODEL, SOFTWARE, EXIF_IFD = 271, 272, 305, 34665
EXPOSURE_TIME, F_NUMBER, ISO, TAKEN_AT, FOCAL_LENGTH = 33434, 33437, 34855, 36867, 37386
BODY_SERIAL, LENS_MODEL, LENS_SERIAL = 42033, 42036, 42037


def write_tiff(path, image=(), exif=(), padding=b""):
    """Write a file: `image` and `exif` map tag -> text, whole number or (numerator, denominator)."""
    image = dict(image)
    first = 8
    size = 2 + 12 * (len(image) + 1) + 4
    data_start = first + size
    body, data_start = _directory({**image, EXIF_IFD: None}, data_start)
    exif_start = data_start
    exif_body, _ = _directory(dict(exif), exif_start + 2 + 12 * len(exif) + 4)
    head = body[0].replace(
        struct.pack("<HHII", EXIF_IFD, LONG, 1, 0xFFFFFFFF), struct.pack("<HHII", EXIF_IFD, LONG, 1, exif_start)
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"II*\0" + struct.pack("<I", first) + head + body[1] + exif_body[0] + exif_body[1] + padding)
    return path


def _directory(tags, data_start):
    entries, data = b"", b""
    for tag, value in sorted(tags.items()):
        if value is None:
            entries += struct.pack("<HHII", tag, LONG, 1, 0xFFFFFFFF)
            continue
        if isinstance(value, int):
            entries += struct.pack("<HHIHH", tag, SHORT, 1, value, 0)
            continue
        kind, count, raw = (
            (RATIONAL, 1, struct.pack("<II", *value))
            if isinstance(value, tuple)
            else (ASCII, len(value) + 1, value.encode() + b"\0")
        )
        if len(raw) <= 4:
            entries += struct.pack("<HHI", tag, kind, count) + raw.ljust(4, b"\0")
        else:
            entries += struct.pack("<HHII", tag, kind, count, data_start + len(data))
            data += raw + b"\0" * (len(raw) % 2)
    head = struct.pack("<H", len(tags)) + entries + struct.pack("<I", 0)
    return (head, data), data_start + len(data)
