"""Write TIFF and PNG pictures like those of industrial cameras."""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, Final

import imagecodecs
import numpy as np
import tifffile

from glasswright import REHEARSED
from glasswright_rehearsal.files.dng import SOFTWARE

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


ASCII: Final = 2
END_OF_HEADER: Final = 33
"""Size of a PNG's signature and IHDR chunk of 13 bytes."""
END_OF_DIRECTORY: Final = 26
"""Size of a TIFF with one directory of one tag: header, count, tag, link."""


def encode_transfer(light: NDArray[np.float64], transfer: str | float) -> NDArray[np.float64]:
    """Return the encoded value, 0 to 1, of light as a fraction of white.

    Parameters
    ----------
    transfer
        `linear`, `srgb` (IEC 61966-2-1) or a power: value = light ** (1 / power).
    """
    light = np.clip(light, 0, 1)
    if transfer == "linear":
        return light
    if transfer == "srgb":
        power = 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055
        return np.where(light <= 0.0031308, 12.92 * light, power)
    return np.asarray(light ** (1 / float(transfer)), dtype=np.float64)


def encode_picture(
    raw: NDArray[np.uint16], white_dn: int, bits: int, transfer: str | float
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Convert raw values without black level (channels, height, width) to picture values of 8 or 16 bits."""
    top = 2**bits - 1
    levels = encode_transfer(np.arange(white_dn + 1, dtype=np.float64) / white_dn, transfer)
    values = np.rint(levels * top)
    if bits == 8:
        return np.asarray(values.astype(np.uint8)[raw])
    return np.asarray(values.astype(np.uint16)[raw])


def write_picture(path: Path, picture: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
    """Write values (channels, height, width) as TIFF or PNG, by the file name's suffix; one channel is grey.

    The EXIF data states only that the frame was rendered.
    """
    grid = picture[0] if len(picture) == 1 else np.ascontiguousarray(np.moveaxis(picture, 0, -1))
    if path.suffix == ".png":
        path.write_bytes(_add_exif(bytes(imagecodecs.png_encode(grid, level=1))))
        return
    photometric = "minisblack" if grid.ndim == 2 else "rgb"
    tifffile.imwrite(path, grid, photometric=photometric, metadata=None, software=REHEARSED)


def _add_exif(png: bytes) -> bytes:
    """Insert a chunk `eXIf` with one tag, `Software`, after the header of a PNG (PNG 1.5 extensions, 3.7; TIFF 6.0)."""
    text = REHEARSED.encode("ascii") + b"\0"
    tiff = struct.pack("<2sHIHHHIII", b"II", 42, 8, 1, SOFTWARE, ASCII, len(text), END_OF_DIRECTORY, 0) + text
    chunk = b"eXIf" + tiff
    found = struct.pack(">I", len(tiff)) + chunk + struct.pack(">I", zlib.crc32(chunk))
    return png[:END_OF_HEADER] + found + png[END_OF_HEADER:]
