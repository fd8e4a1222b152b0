"""The reference body's sensor: colour pattern, levels, noise."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array32 = NDArray[np.float32]

Pattern = tuple[tuple[int, ...], ...]

RGGB: Pattern = ((0, 1), (1, 2))
BAYER: dict[str, Pattern] = {
    "RGGB": RGGB,
    "GRBG": ((1, 0), (2, 1)),
    "GBRG": ((1, 2), (0, 1)),
    "BGGR": ((2, 1), (1, 0)),
}
"""Plane of each site, rows from the top: 0 red, 1 green, 2 blue."""

XTRANS: Pattern = (
    (1, 2, 1, 1, 0, 1),
    (0, 1, 0, 2, 1, 2),
    (1, 2, 1, 1, 0, 1),
    (1, 0, 1, 1, 2, 1),
    (2, 1, 2, 0, 1, 0),
    (1, 0, 1, 1, 2, 1),
)
"""The 6 x 6 pattern with green in every row and column."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """Colour pattern, levels and noise of a sensor."""

    planes: tuple[str, ...] = ("red", "green", "blue")
    pattern: tuple[Pattern, ...] = (RGGB,)
    """One pattern for each channel: a mosaic has one, an RGB picture has three with one site each."""
    black_dn: tuple[tuple[float, ...], ...] = ((512.0, 514.0), (511.0, 513.0))
    """Black level by site."""
    white_dn: int = 16383
    full_well_e: float = 45_000.0
    """Electrons at white."""
    read_noise_e: float = 3.0
    hot_count: int = 0
    """Number of hot pixels, the same in every frame with the same `hot_seed`."""
    hot_seed: int = 1

    def pattern_array(self) -> NDArray[np.int64]:
        """Return the pattern as (channels, rows, columns)."""
        return np.array(self.pattern, dtype=np.int64)


def mosaic_sensor(name: str = "RGGB", **changes: object) -> Sensor:
    """Return a sensor by its pattern's name: a Bayer phase, `xtrans`, `mono` or `rgb`."""
    layouts: dict[str, dict[str, object]] = {
        "xtrans": {"pattern": (XTRANS,), "black_dn": ((1022.0,),)},
        "mono": {"pattern": (((0,),),), "planes": ("white",), "black_dn": ((512.0,),)},
        "rgb": {"pattern": (((0,),), ((1,),), ((2,),)), "black_dn": ((0.0,),)},
    }
    chosen = layouts.get(name) or {"pattern": (BAYER[name],)}
    return Sensor(**{**chosen, **changes})  # type: ignore[arg-type]


def expose(light: Array32, sensor: Sensor, seed: np.random.SeedSequence) -> NDArray[np.uint16]:
    """Return raw values for light as a fraction of white (channels, height, width).

    Shot noise is normal with the Poisson variance. From a hundred electrons on, as in a disc, the two distributions are
    equal after rounding.
    """
    generator = np.random.default_rng(seed)
    deviate = generator.standard_normal(light.shape, dtype=np.float32)
    black = np.array(sensor.black_dn, dtype=np.float64)
    result = np.empty(light.shape, dtype=np.uint16)
    _read_out(light, deviate, black, float(sensor.white_dn), sensor.full_well_e, sensor.read_noise_e, result)
    if sensor.hot_count:
        _add_hot(result, sensor)
    return result


@njit(cache=True, nogil=True)
def _read_out(
    light: Array32,
    deviate: Array32,
    black: NDArray[np.float64],
    white: float,
    full_well: float,
    read_noise: float,
    result: NDArray[np.uint16],
) -> None:
    """Loop over the pixels for `expose`."""
    channels, height, width = light.shape
    for channel in range(channels):
        for y in range(height):
            for x in range(width):
                level = black[y % black.shape[0], x % black.shape[1]]
                electrons = light[channel, y, x] * full_well
                noisy = electrons + sqrt(max(electrons, 0.0) + read_noise * read_noise) * deviate[channel, y, x]
                value = floor(level + noisy / full_well * (white - level) + 0.5)
                result[channel, y, x] = np.uint16(min(max(value, 0.0), white))


def find_hot(sensor: Sensor, height: int, width: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return the hot pixels: rows, columns and added signals."""
    generator = np.random.default_rng(sensor.hot_seed)
    rows = generator.integers(0, height, sensor.hot_count)
    columns = generator.integers(0, width, sensor.hot_count)
    return rows, columns, generator.integers(400, 6000, sensor.hot_count)


def _add_hot(picture: NDArray[np.uint16], sensor: Sensor) -> None:
    """Add the hot pixels in place."""
    rows, columns, extra = find_hot(sensor, picture.shape[1], picture.shape[2])
    for channel in picture:
        channel[rows, columns] = np.minimum(channel[rows, columns].astype(np.int64) + extra, sensor.white_dn)
