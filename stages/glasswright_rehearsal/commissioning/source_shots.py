"""Flats of an uneven source, turned, shifted and tilted before the camera."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import yaml

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.scene.lens import Falloff
from glasswright_rehearsal.scene.light import find_gain
from glasswright_rehearsal.scene.sensor import expose, mosaic_sensor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_rehearsal.commissioning.bench import NewBench
    from glasswright_rehearsal.scene.geometry import Frame

    Array = NDArray[np.float64]

FIELD_TAN = 0.4327
"""Tangent of the field angle at a half-diagonal, for all frames: that of 50 mm on a frame 36 mm wide."""
GAINS = (0.72, 1.0, 0.8)
PLACES = (
    (0, 0, 0, 0, 0), (90, 0, 0, 0, 0), (180, 0, 0, 0, 0), (270, 0, 0, 0, 0),
    (0, 0.15, 0, 0, 0), (0, -0.15, 0, 0, 0), (0, 0, 0.1, 0, 0), (0, 0, -0.1, 0, 0),
    (90, 0.15, 0, 0, 0), (180, 0, 0.1, 0, 0), (270, 0, -0.1, 0, 0), (90, 0, -0.1, 0, 0),
    (0, 0, 0, 10, 0), (0, 0, 0, -10, 0), (0, 0, 0, 0, 10), (0, 0, 0, 0, -10),
)  # fmt: skip
"""Turn clockwise (degrees), shift right and down (frame widths), tilts (degrees: lower edge away, right edge near)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceErrors:
    """Unevenness of the source in EV; places in half-diagonals from the frame's centre."""

    bowl_ev: float = -0.15
    middle: tuple[float, float] = (0.07, -0.05)
    gradient_ev: tuple[float, float] = (0.02, -0.015)
    ripple_ev: float = 0.004
    by_angle_ev: tuple[float, float] = (-0.6, -0.3)
    """Coefficients of the sine squared of the angle to the source's normal, and of its square."""
    place_u_frac: float = 0.003
    """Standard deviation of a shift from the noted value, in frame widths."""
    turn_u_deg: float = 0.3
    tilt_u_deg: float = 0.2

    def by_place(self, place: Array) -> Array:
        """Return the source at places (..., 2) on it."""
        x, y = np.moveaxis(place - np.array(self.middle), -1, 0)
        ripple = self.ripple_ev * np.sin(2.2 * x + 1) * np.cos(1.7 * y)
        return np.asarray(self.bowl_ev * (x * x + y * y) + place @ np.array(self.gradient_ev) + ripple)


def place_pixels(frame: Frame, step: int = 1) -> Array:
    """Return every `step`-th pixel's place (rows, columns, 2) in half-diagonals from the frame's centre."""
    y, x = np.mgrid[: frame.height_px : step, : frame.width_px : step]
    return np.asarray((np.stack([x, y], axis=-1) - frame.centre_px) / frame.half_diagonal_px)


def emit(errors: SourceErrors, place: Array, placement: Array, field_tan: float) -> Array:
    """Return the source's light in EV at places (..., 2) of the frame.

    Parameters
    ----------
    placement
        Turn in degrees, shift in half-diagonals, tilts in degrees.
    field_tan
        Tangent of the field angle at a half-diagonal.
    """
    turn, right, down = np.radians(placement[0]), placement[1], placement[2]
    about_x, about_y = np.radians(placement[3]), np.radians(placement[4])
    tilt_x = np.array([[1, 0, 0], [0, np.cos(about_x), -np.sin(about_x)], [0, np.sin(about_x), np.cos(about_x)]])
    tilt_y = np.array([[np.cos(about_y), 0, np.sin(about_y)], [0, 1, 0], [-np.sin(about_y), 0, np.cos(about_y)]])
    axes = tilt_x @ tilt_y
    ray = np.concatenate([place * field_tan, np.ones((*place.shape[:-1], 1))], axis=-1)
    towards = ray @ axes[:, 2]
    met = ray * (axes[2, 2] / towards)[..., None] - np.array([0, 0, 1.0])
    on_source = (met @ axes)[..., :2] / field_tan - np.array([right, down])
    back = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    sine_square = 1 - towards**2 / np.sum(ray**2, axis=-1)
    first, second = errors.by_angle_ev
    return np.asarray(errors.by_place(on_source @ back) + first * sine_square + second * sine_square**2)


def write_source_shots(bench: NewBench, errors: SourceErrors, corner_ev: float = 1.5) -> None:
    """Write the step's flats, two for each position, the noted positions, and the true values."""
    frame, generator = bench.frame, bench.draw(5)
    sensor = mosaic_sensor("RGGB")
    focal_length_mm = round(frame.half_diagonal_px * frame.pitch_um / 1000 / FIELD_TAN, 1)
    field_tan = frame.half_diagonal_px * frame.pitch_um / 1000 / focal_length_mm
    place = place_pixels(frame)
    width = frame.width_px / frame.half_diagonal_px
    falloff = Falloff(corner_ev=corner_ev, centre_shift_frac=(0.01, 0.004))
    lens = find_gain(falloff, "green", place[..., 0], place[..., 1])
    pattern = sensor.pattern_array()[0]
    plane_gain = np.tile(np.array(GAINS)[pattern], (frame.height_px // 2, frame.width_px // 2))
    written, shot = [], 0
    for number, (turn, right, down, tilt_x, tilt_y) in enumerate(PLACES, start=1):
        off = generator.standard_normal(5) * [
            errors.turn_u_deg, errors.place_u_frac * width, errors.place_u_frac * width,
            errors.tilt_u_deg, errors.tilt_u_deg,
        ]  # fmt: skip
        placement = np.array([turn, right * width, down * width, tilt_x, tilt_y]) + off
        light = 0.6 * plane_gain * lens * np.exp2(emit(errors, place, placement, field_tan))
        for repeat in range(2):
            lit = light * (1 + 0.001 * float(generator.standard_normal()))
            values = expose(lit.astype(np.float32)[None], sensor, np.random.SeedSequence([bench.seed, 5, shot]))
            exif = Exif(
                exposure_s=Fraction(1, 8),
                f_number=4.0,
                focal_length_mm=focal_length_mm,
                date=f"2026:03:02 16:{shot:02d}:00",
            )
            bench.write_shot(f"source/place_{number:02d}/{repeat}", values, sensor, exif)
            shot += 1
        written.append(
            {
                "folder": f"place_{number:02d}",
                "turn_deg": float(turn),
                "right_frac": float(right),
                "down_frac": float(down),
                "tilt_x_deg": float(tilt_x),
                "tilt_y_deg": float(tilt_y),
            }
        )
    known = {"turn_deg": errors.turn_u_deg, "shift_frac": errors.place_u_frac, "tilt_deg": errors.tilt_u_deg}
    text = yaml.safe_dump({"places": written, "known_to": known}, sort_keys=False)
    (bench.out / "source" / "places.yaml").write_text(text, encoding="utf-8")
    bench.write_truth("source", {**asdict(errors), "corner_ev": corner_ev, "field_tan": field_tan})
