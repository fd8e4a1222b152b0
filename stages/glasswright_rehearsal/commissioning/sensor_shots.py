"""Darks and flats of a body with known errors."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.frames.render import Scene, render_light
from glasswright_rehearsal.scene.lens import Falloff, Lens
from glasswright_rehearsal.scene.sensor import find_hot, mosaic_sensor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_rehearsal.commissioning.bench import NewBench
    from glasswright_rehearsal.scene.sensor import Sensor

    Array32 = NDArray[np.float32]

LEVELS = (0.03, 0.06, 0.12, 0.2, 0.3, 0.42, 0.55, 0.68, 0.8, 0.9, 1.8)
"""Light of the brightest plane in the middle, as a fraction of white; the last is overexposed."""
DARKS = 6
COARSE_FROM = 0.25
"""Signal, as a fraction of white, from which a lossy file has coarse steps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorErrors:
    """Errors and processing of a body."""

    nonlinearity_frac: float = 0.0
    """The signal of light L is ``L (1 - b L) / (1 - b)`` with this b, both as fractions of white: a flattening."""
    clip_dn: int | None = None
    """Level at which pixels clip, if below the white that files declare."""
    step_dn: int = 1
    """Values above a quarter of white are multiples of it: a lossy file."""
    smoothing_frac: float = 0.0
    """Weight of the mean of a pixel's four neighbours of the same plane: noise reduction."""
    black_offset_dn: float = 0.0
    """Black level minus the one that files declare."""
    is_cut_at_black: bool = False
    """Whether values below black are set to black."""
    light_scatter_frac: float = 0.001
    """Relative standard deviation of lamp and shutter together, between frames."""


def expose_with_errors(
    light: Array32, sensor: Sensor, errors: SensorErrors, generator: np.random.Generator
) -> NDArray[np.uint16]:
    """Return the body's raw values for light as a fraction of white (1, height, width)."""
    height, width = light.shape[1:]
    black = np.array(sensor.black_dn)
    black = np.tile(black, (height // black.shape[0], width // black.shape[1]))
    electrons = light[0].astype(np.float64) * sensor.full_well_e
    noise = np.sqrt(np.maximum(electrons, 0.0) + sensor.read_noise_e**2)
    signal = (electrons + noise * generator.standard_normal(electrons.shape)) / sensor.full_well_e
    signal = signal * (1 - errors.nonlinearity_frac * signal) / (1 - errors.nonlinearity_frac)
    rows, columns, extra = find_hot(sensor, height, width)
    signal[rows, columns] += extra / sensor.white_dn
    if errors.smoothing_frac:
        around = sum(np.roll(signal, shift, axis) for axis in (0, 1) for shift in (2, -2)) / 4
        signal = (1 - errors.smoothing_frac) * signal + errors.smoothing_frac * around
    if errors.is_cut_at_black:
        signal = np.maximum(signal, 0.0)
    value = np.rint(black + errors.black_offset_dn + signal * (sensor.white_dn - black))
    if errors.step_dn > 1:
        value = np.where(signal > COARSE_FROM, errors.step_dn * np.rint(value / errors.step_dn), value)
    top = sensor.white_dn if errors.clip_dn is None else errors.clip_dn
    return np.asarray(np.clip(value, 0, top)[None], dtype=np.uint16)


def write_sensor_shots(bench: NewBench, errors: SensorErrors, full_well_e: float = 45_000.0) -> None:
    """Write the step's darks and pairs of flats, and the true values."""
    sensor = mosaic_sensor("RGGB", hot_count=20, full_well_e=full_well_e)
    lens = Lens(f_number=8.0, falloff=Falloff(corner_ev=0.4))
    even = render_light(Scene(frame=bench.frame, lens=lens, sensor=sensor))
    even /= np.float32(even.max())
    generator = bench.draw(1)
    shot = 0
    for number in range(DARKS):
        values = expose_with_errors(np.zeros_like(even), sensor, errors, generator)
        bench.write_shot(f"sensor/dark/{number:02d}", values, sensor, _exif(shot, 0.01))
        shot += 1
    for number, level in enumerate(LEVELS):
        for repeat in range(2):
            lit = level * (1 + errors.light_scatter_frac * float(generator.standard_normal()))
            light = np.minimum(even * np.float32(lit), 1.2)
            values = expose_with_errors(light.astype(np.float32), sensor, errors, generator)
            bench.write_shot(f"sensor/flat/{number:02d}_{repeat}", values, sensor, _exif(shot, level / 4))
            shot += 1
    black = float(np.mean(sensor.black_dn)) + errors.black_offset_dn
    white = sensor.white_dn if errors.clip_dn is None else errors.clip_dn
    bench.write_truth(
        "sensor",
        {
            "black_dn": black,
            "white_dn": white,
            "electrons_at_white_count": full_well_e * find_light((white - black) / (sensor.white_dn - black), errors),
            "read_noise_count": sensor.read_noise_e,
            "hot_pixel_count": sensor.hot_count,
            **asdict(errors),
        },
    )


def find_light(signal: float, errors: SensorErrors) -> float:
    """Return the light for a signal, both as fractions of white."""
    b = errors.nonlinearity_frac
    return signal if b == 0 else (1 - float(np.sqrt(1 - 4 * b * (1 - b) * signal))) / (2 * b)


def _exif(shot: int, seconds: float) -> Exif:
    return Exif(
        exposure_s=Fraction(seconds).limit_denominator(100_000),
        f_number=8.0,
        date=f"2026:03:02 14:{shot // 60:02d}:{shot % 60:02d}",
    )
