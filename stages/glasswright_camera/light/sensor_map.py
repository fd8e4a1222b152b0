"""The map of the sensor's pixel response (dust, gain)."""

from __future__ import annotations

from functools import lru_cache
from hashlib import file_digest
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import tifffile

from glasswright import Unmeasurable
from glasswright_camera.compiled import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright.config import DataFile
    from glasswright_camera.mosaic import Mosaic


def divide_by_map(mosaic: Mosaic, file: DataFile) -> None:
    """Divide the frame's light by the map, in place; clipped pixels stay clipped.

    Values are rounded to whole DN again, which adds 0.29 DN of noise, far below any sensor's own.

    Raises
    ------
    Unmeasurable
        Where the map has another size than the frame, or has changed since the stand file was read.
    """
    response = open_map(file.path, file.sha256)
    height, width = mosaic.values.shape[1:]
    if response.shape != (height, width):
        raise Unmeasurable(
            f"the sensor map {Path(file.path).name} is {' x '.join(map(str, response.shape[::-1]))} pixels, the frame "
            f"{width} x {height}: is the shot from this body, and the map of its active area?"
        )
    scale_light(mosaic.values, response, mosaic.black_dn, mosaic.white_dn)


@lru_cache(maxsize=1)
def open_map(path: str, sha256: str) -> NDArray[np.floating]:
    """Open a map once a process; a .npy file stays on disk and is paged in as it is read.

    Raises
    ------
    Unmeasurable
        Where the file has changed since the stand file was read, or a value is not a positive number.
    """
    with Path(path).open("rb") as file:
        if file_digest(file, "sha256").hexdigest() != sha256:
            raise Unmeasurable(f"the map {path} has changed since the stand file was read: run again")
    response = np.load(path, mmap_mode="r", allow_pickle=False) if path.endswith(".npy") else tifffile.imread(path)
    bad = int(response.size - np.count_nonzero(np.isfinite(response) & (response > 0)))
    if bad:
        raise Unmeasurable(f"the map {path} has {bad} values that are not positive numbers: make it again")
    return np.asarray(response) if response.dtype.kind == "f" else response.astype(np.float32)


@compiled
def scale_light(
    values: NDArray[np.uint16], response: NDArray[np.floating], black: NDArray[np.float64], white: float
) -> None:  # pragma: no cover - compiled
    """Divide the signal above black by the response, in place."""
    channels, height, width = values.shape
    period_y, period_x = black.shape[1:]
    for channel in range(channels):
        for y in range(height):
            for x in range(width):
                value = values[channel, y, x]
                if value < white:
                    base = black[channel, y % period_y, x % period_x]
                    scaled = base + (value - base) / response[y, x]
                    values[channel, y, x] = np.uint16(min(max(np.rint(scaled), 0.0), 65535.0))
