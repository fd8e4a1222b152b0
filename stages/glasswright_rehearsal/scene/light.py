"""Compute the light at each pixel from the drawn coverage: lamps, falloff, dust and veil."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, exp2, pi, radians, sin

import numpy as np
from numba import njit
from numpy.typing import NDArray

from glasswright_rehearsal.scene.geometry import Frame
from glasswright_rehearsal.scene.lens import PLANE_INDEX, Falloff, Lens

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lighting:
    """Light field over the frame: ``1 + x g_x + y g_y + bowl r^2``, places in half-diagonals."""

    gradient: tuple[float, float] = (0.0, 0.0)
    bowl: float = 0.0
    exposure_frac: float = 0.6
    """Light of the paper in the green plane at the frame's centre, as a fraction of white."""
    plane_gain: tuple[float, float, float] = (0.72, 1.0, 0.8)
    """Light of red, green, blue over green."""
    level: float = 1.0
    """Momentary level of the lamps: drift and flicker."""
    ripple_frac: float = 0.0
    """Amplitude of mains flicker, which makes bands with a rolling shutter."""
    ripple_period_px: float = 900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Dust:
    """A mote before the sensor; at a small distance its shadow is dark and small."""

    x_px: float
    y_px: float
    diameter_um: float = 20.0
    distance_um: float = 1000.0


def find_gain(falloff: Falloff, plane: str, x: Array, y: Array) -> Array:
    """Return the lens's relative illumination at places (half-diagonals from the frame's centre), 1 on its axis."""
    u, v = x - falloff.centre_shift_frac[0], y - falloff.centre_shift_frac[1]
    square = u**2 + v**2
    share = falloff.square_share
    loss = falloff.corner_ev * (share * square + (1 - share) * square**2)
    loss = loss + falloff.plane_ev[PLANE_INDEX[plane]] * square
    turn = radians(falloff.obstruction_deg)
    towards = np.maximum(x * cos(turn) + y * sin(turn), 0)
    return np.asarray(np.exp2(-loss - falloff.obstruction_ev * towards**4), dtype=np.float64)


def find_source(lighting: Lighting, x: Array, y: Array) -> Array:
    """Return the light field at places, 1 at the frame's centre."""
    gx, gy = lighting.gradient
    return 1 + gx * x + gy * y + lighting.bowl * (x**2 + y**2)


def lay_light(
    coverage: Array32,
    pattern: NDArray[np.int64],
    planes: tuple[str, ...],
    frame: Frame,
    lens: Lens,
    lighting: Lighting,
    dark_frac: float,
    dust: tuple[Dust, ...] = (),
) -> None:
    """Convert coverage (channels, height, width) to light as a fraction of white, in place.

    Parameters
    ----------
    coverage
        1 where a disc covers the paper.
    dark_frac
        Light of a disc over light of the paper.
    """
    gains = np.array([lighting.plane_gain[PLANE_INDEX[p]] for p in planes]) * lighting.exposure_frac * lighting.level
    rows = np.array([_falloff_row(lens.falloff, p) for p in planes])
    veil = lens.aberrations.veil_frac
    field = np.array([*frame.centre_px, 1 / frame.half_diagonal_px])
    lamps = np.array([*lighting.gradient, lighting.bowl, lighting.ripple_frac, lighting.ripple_period_px])
    _lay(coverage, pattern, gains, rows, field, lamps, 1 - dark_frac, veil)
    for mote in dust:
        _shade(coverage, mote, frame, lens.f_number)


def _falloff_row(falloff: Falloff, plane: str) -> Array:
    """Pack a falloff for the compiled loops."""
    turn = radians(falloff.obstruction_deg)
    return np.array(
        [
            falloff.corner_ev,
            falloff.square_share,
            falloff.plane_ev[PLANE_INDEX[plane]],
            *falloff.centre_shift_frac,
            falloff.obstruction_ev,
            cos(turn),
            sin(turn),
        ]
    )


@njit(cache=True, inline="always")
def _gain(row: Array, x: float, y: float) -> float:
    """Return the falloff's gain at one field place."""
    u, v = x - row[3], y - row[4]
    square = u * u + v * v
    loss = row[0] * (row[1] * square + (1 - row[1]) * square * square) + row[2] * square
    towards = max(x * row[6] + y * row[7], 0.0)
    loss += row[5] * towards * towards * towards * towards
    return exp2(-loss)


@njit(cache=True, nogil=True)
def _lay(
    picture: Array32,
    pattern: NDArray[np.int64],
    gains: Array,
    rows: Array,
    field: Array,
    lamps: Array,
    depth: float,
    veil: float,
) -> None:
    """Loop over the pixels for `lay_light`."""
    channels, height, width = picture.shape
    for channel in range(channels):
        for y in range(height):
            v = (y - field[1]) * field[2]
            ripple = 1 + lamps[3] * sin(2 * pi * y / lamps[4])
            for x in range(width):
                u = (x - field[0]) * field[2]
                plane = pattern[channel, y % pattern.shape[1], x % pattern.shape[2]]
                paper = (1 + lamps[0] * u + lamps[1] * v + lamps[2] * (u * u + v * v)) * ripple
                scene = 1 - depth * picture[channel, y, x]
                light = paper * _gain(rows[plane], u, v) * scene + veil
                picture[channel, y, x] = gains[plane] * light


def _shade(picture: Array32, mote: Dust, frame: Frame, f_number: float) -> None:
    """Multiply by a mote's shadow: width ``d + t/N``, largest light loss ``(d N / t)^2``, linear rim."""
    cone_um = mote.distance_um / f_number
    depth = min((mote.diameter_um / cone_um) ** 2, 1.0)
    outer = (mote.diameter_um + cone_um) / 2 / frame.pitch_um
    inner = abs(mote.diameter_um - cone_um) / 2 / frame.pitch_um
    reach = int(outer) + 2
    x0, x1 = max(0, int(mote.x_px) - reach), min(frame.width_px, int(mote.x_px) + reach + 1)
    y0, y1 = max(0, int(mote.y_px) - reach), min(frame.height_px, int(mote.y_px) + reach + 1)
    x, y = np.arange(x0, x1)[None, :], np.arange(y0, y1)[:, None]
    r = np.hypot(x - mote.x_px, y - mote.y_px)
    shadow = 1 - depth * np.clip((outer - r) / max(outer - inner, 1.0), 0, 1)
    picture[:, y0:y1, x0:x1] *= shadow.astype(np.float32)


def mean_gain_box(falloff: Falloff, plane: str, frame: Frame, box: tuple[float, float, float, float]) -> float:
    """Average the lens's gain over a box (x from, x to, y from, y to: fractions of the frame), on 64 x 64 points."""
    share = (np.arange(64) + 0.5) / 64
    x = (box[0] + (box[1] - box[0]) * share) * frame.width_px - 0.5
    y = (box[2] + (box[3] - box[2]) * share) * frame.height_px - 0.5
    centre, half = frame.centre_px, frame.half_diagonal_px
    u, v = (x - centre[0])[None, :] / half, (y - centre[1])[:, None] / half
    return float(find_gain(falloff, plane, u, v).mean())
