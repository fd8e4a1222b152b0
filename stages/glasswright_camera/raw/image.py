"""Reader of TIFF and PNG frames of industrial cameras, converted to linear light."""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import imagecodecs
import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.raw.container import number_of, open_tiff
from glasswright_camera.raw.file_checks import UNCOMPRESSED, check_extents
from glasswright_camera.raw.frame_size import LARGEST_FRAME_PX, check_compression_ratio, check_size
from glasswright_camera.raw.pixel_digest import digest_pixels

if TYPE_CHECKING:
    from numpy.typing import NDArray

Transfer = Literal["linear", "srgb"] | float

IMAGE_ENDINGS: Final = (".png", ".tif", ".tiff")
FULL_SCALE: Final = 65535
GREY_OR_COLOUR: Final = {1: ("white",), 3: ("red", "green", "blue")}
BLACK_IS_ZERO: Final = 1
RGB: Final = 2
PNG_HEADER: Final = re.compile(rb"\x89PNG\r\n\x1a\n\0\0\0\rIHDR(?P<size>.{10})", re.DOTALL)
"""Signature and beginning of the first chunk: width, height, bit depth, colour type (PNG 3rd edition, 5.2, 11.2.1)."""
PNG_CHANNELS: Final = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
"""Channels of each colour type."""
LOSSY: Final = {6: "JPEG", 7: "JPEG", 34892: "JPEG", 33003: "JPEG 2000", 34712: "JPEG 2000", 50001: "WebP"}
UNREADABLE: Final = (
    imagecodecs.DelayedImportError,
    RuntimeError,
    ValueError,
    OSError,
    IndexError,
    KeyError,
    TypeError,
    MemoryError,
)
"""Errors observed when reading damaged images; the codecs' own errors are RuntimeErrors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageFrame:
    """An image in linear light."""

    values: NDArray[np.uint16]
    """(channels, height, width): light, 65535 at the file's largest value."""
    planes: tuple[str, ...]
    light_of_value: NDArray[np.uint16]
    """Light of each of the file's values."""
    pixel_digest: str
    """Digest of the file's values."""


def is_image(path: str) -> bool:
    """Return whether a file's name has the ending of a TIFF or PNG."""
    return Path(path).suffix.lower() in IMAGE_ENDINGS


def read_image(path: str, *, transfer: Transfer, largest_px: int = LARGEST_FRAME_PX) -> ImageFrame:
    """Read a TIFF or PNG of 8 or 16 bits, grey or RGB, as 16-bit linear light.

    Parameters
    ----------
    path
        The file.
    transfer
        Transfer curve, see `make_light_table`.
    largest_px
        Most pixels that the header may claim.

    Raises
    ------
    Unmeasurable
        Where it cannot be read completely, has lossy compression, or is no plain grey or RGB image.
    """
    try:
        read = read_png if path.lower().endswith(".png") else read_tiff
        pixels = read(path, largest_px=largest_px)
    except UNREADABLE as error:
        raise Unmeasurable(f"the image cannot be read ({error}): copy it again, or shoot it again") from error
    if pixels.ndim == 2:
        pixels = pixels[:, :, None]
    planes = GREY_OR_COLOUR.get(pixels.shape[2])
    if planes is None:
        raise Unmeasurable(f"the image has {pixels.shape[2]} channels; save grey or RGB without transparency")
    table = make_light_table(int(np.iinfo(pixels.dtype).max), transfer)
    values = np.empty((len(planes), *pixels.shape[:2]), np.uint16)
    for channel in range(len(planes)):
        np.take(table, pixels[:, :, channel], out=values[channel])
    digest = digest_pixels(np.moveaxis(pixels, 2, 0), period=1)
    return ImageFrame(values=values, planes=planes, light_of_value=table, pixel_digest=digest)


def as_integers(pixels: NDArray[Any]) -> NDArray[np.uint8 | np.uint16]:
    """Return the pixels unchanged; raise Unmeasurable unless they have 8 or 16 bits."""
    if pixels.dtype not in (np.uint8, np.uint16):
        raise Unmeasurable(f"the image has {pixels.dtype} values; save 8 or 16 bits")
    return pixels


def read_png(path: str, *, largest_px: int) -> NDArray[np.uint8 | np.uint16]:
    """Return a PNG's pixels."""
    data = Path(path).read_bytes()
    match = PNG_HEADER.match(data)
    if match is None:
        raise Unmeasurable("the file does not begin as a PNG does: copy it again, or shoot it again")
    width, height, depth, kind = struct.unpack(">IIBB", match["size"])
    check_size(width, height, largest_px=largest_px)
    check_compression_ratio(width * height * PNG_CHANNELS.get(kind, 1) * depth // 8, len(data))
    return as_integers(np.asarray(imagecodecs.png_decode(data)))


def read_tiff(path: str, *, largest_px: int) -> NDArray[np.uint8 | np.uint16]:
    """Return the pixels of a TIFF's one image, channels last."""
    with open_tiff(path) as container:
        pages = [page for page in container.top if number_of(page, 256) and not number_of(page, 254)]
        if len(pages) != 1:
            raise Unmeasurable(f"the file holds {len(pages)} images; save single frames")
        page = pages[0]
        check_extents(page, container.file.size)
        compression, scheme = number_of(page, 259), number_of(page, 262)
        if compression in LOSSY:
            raise Unmeasurable(
                f"corrections baked in: the image is compressed as {LOSSY[compression]}, which alters edges; "
                "save it uncompressed or losslessly compressed"
            )
        if scheme not in (BLACK_IS_ZERO, RGB):
            raise Unmeasurable(
                f"the image's colour scheme (PhotometricInterpretation) is {scheme}; save grey with black as 0 (1) or "
                "RGB (2)"
            )
        check_size(number_of(page, 256) or 0, number_of(page, 257) or 0, largest_px=largest_px)
        if compression in (None, UNCOMPRESSED) and page.nbytes > container.file.size:
            raise Unmeasurable(
                f"the header claims {page.nbytes} bytes of pixels, the file has {container.file.size}: copy it again"
            )
        check_compression_ratio(page.nbytes, container.file.size)
        pixels = as_integers(np.asarray(page.asarray()))
        return np.moveaxis(pixels, 0, -1) if page.axes == "SYX" else pixels


def make_light_table(top: int, transfer: Transfer) -> NDArray[np.uint16]:
    """Return the light, 0 to 65535, of each value from 0 to `top`.

    Parameters
    ----------
    top
        The file's largest value, 255 or 65535.
    transfer
        `linear`; `srgb` (IEC 61966-2-1, 5.2: a straight piece, then a power of 2.4); or the exponent of light as a
        power of the value.
    """
    share = np.arange(top + 1, dtype=np.float64) / top
    return np.rint(FULL_SCALE * light_of_share(share, transfer)).astype(np.uint16)


def light_of_share(share: NDArray[np.float64], transfer: Transfer) -> NDArray[np.float64]:
    """Return the light, 0 to 1, of values given as shares of the largest."""
    if transfer == "linear":
        return share
    if transfer == "srgb":
        return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.asarray(share ** float(transfer))
