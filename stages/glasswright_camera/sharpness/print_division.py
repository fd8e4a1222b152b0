"""Division of measured transfer functions by the print's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.interpolate import CubicSpline

from glasswright_camera.field import image_radius
from glasswright_camera.print_edge import find_print

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.repeats import Repeats
    from glasswright_camera.print_transfer import GaussianPrint, PrintTransfer
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

CURVE_U: Final = 0.0015
"""Standard uncertainty of a measured transfer function away from its half point; see `contrast.SHAPE_U`."""
HALF: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Divided:
    """MTF50 without the print: arrays (traces, planes, discs, 2), sagittal and tangential, cycles/pixel."""

    value: Array
    """NaN where the print alone explains the blur."""
    value_u: Array
    """Standard uncertainty from pixel noise."""
    print_u: Array
    """Standard uncertainty from that of the print's transfer function, which all discs and shots share."""
    mtf: Array
    """(traces, planes, discs, 2, frequencies): the transfer functions without the print."""


def divide_print(repeats: Repeats, stand: Stand) -> Divided:
    """Return the discs' MTF50 from their transfer functions divided by the print's.

    At each frequency the measured transfer function is divided by the print's in the direction of the blur. The new
    MTF50 is where the quotient falls to one half.
    """
    value, value_u = repeats.stack(lambda t: t.mtf50), repeats.stack(lambda t: t.mtf50_u)
    curve = repeats.stack(lambda t: np.asarray(t.mtf, dtype=np.float64))
    first = repeats.traces[0]
    found = find_print(stand, first.chart)
    if found is None:
        return Divided(value=value, value_u=value_u, print_u=np.zeros_like(value), mtf=curve)
    radial = image_radius(repeats.places(), first.width_px, first.height_px).angle
    divisor, divisor_u = np.empty_like(curve), np.empty_like(curve)
    for shot, trace in enumerate(repeats.traces):
        # blur across the image radius, then along it, in the print's directions
        direction = np.stack([radial + np.pi / 2, radial], axis=-1) - np.radians(trace.rotation_deg)
        divisor[shot], divisor_u[shot] = sample_planes(found, trace.frequency, direction, trace.planes,
                                                       pixels_per_mm(trace.magnification_frac, stand))  # fmt: skip
    return divide_curves(value, value_u, curve, divisor, divisor_u, first.frequency)


def pixels_per_mm(magnification_frac: float, stand: Stand) -> float:
    """Return pixels on the sensor per millimetre on the print."""
    return 1000 * magnification_frac / stand.sensor.pixel_pitch_um


def sample_planes(
    found: PrintTransfer | GaussianPrint, frequency: Array, direction: Array, planes: tuple[str, ...], per_mm: float
) -> tuple[Array, Array]:
    """Return the print's transfer and its standard uncertainty: (planes, *direction, frequencies)."""
    pairs = [found.sample(frequency * per_mm, direction[..., None], plane) for plane in planes]
    return np.stack([value for value, _ in pairs]), np.stack([u for _, u in pairs])


def divide_curves(
    value: Array, value_u: Array, curve: Array, divisor: Array, divisor_u: Array, frequency: Array
) -> Divided:
    """Divide transfer functions (..., frequencies) by others, and find where the quotients fall to one half.

    Parameters
    ----------
    value, value_u
        (...,): MTF50 of `curve` and its standard uncertainty.
    curve, divisor, divisor_u
        Transfer functions, the print's, and its standard uncertainty.
    frequency
        (frequencies,), cycles/pixel, from 0.
    """
    shape = value.shape
    known = (np.isfinite(value) & np.isfinite(curve).all(axis=-1)).ravel()
    measured, print_, print_u = (each.reshape(-1, len(frequency))[known] for each in (curve, divisor, divisor_u))
    new, new_u, shared_u = (np.full(known.size, np.nan) for _ in range(3))
    if known.any():
        whole = CubicSpline(frequency, measured, axis=1)
        quotient = CubicSpline(frequency, measured / print_, axis=1)
        before, after = find_half(whole, frequency), find_half(quotient, frequency)
        at = np.nan_to_num(after)
        there = pick(CubicSpline(frequency, print_, axis=1), at, frequency)
        there_u = np.array([np.interp(f, frequency, row) for f, row in zip(at, print_u, strict=True)])
        # moving along the curve: (quotient x print)' = measured' - quotient print'
        fall = -pick(quotient.derivative(), at, frequency) * there
        fall = np.where(fall > 0, fall, np.nan)
        own, own_u = value.ravel()[known], value_u.ravel()[known]
        # the ratio removes the error of the splines, which both share
        new[known] = own * after / before
        new_u[known] = own_u / own * new[known] * -pick(whole.derivative(), at, frequency) / fall
        shared_u[known] = np.hypot(HALF * there_u, CURVE_U * (1 - there)) / fall
    return Divided(
        value=new.reshape(shape), value_u=new_u.reshape(shape), print_u=shared_u.reshape(shape), mtf=curve / divisor
    )


def pick(curves: CubicSpline, at: Array, frequency: Array) -> Array:
    """Evaluate each of several splines (frequencies, curves) at its own place: (curves,)."""
    piece = np.clip(np.searchsorted(frequency, at, side="right") - 1, 0, len(frequency) - 2)
    offset = at - frequency[piece]
    total = np.zeros_like(at)
    for row in curves.c[:, piece, np.arange(len(at))]:
        total = total * offset + row
    return total


def find_half(curves: CubicSpline, frequency: Array) -> Array:
    """Return where each of several splines first falls below one half, by bisection; NaN where none does."""
    below = curves(frequency) < HALF  # (curves, frequencies)
    after = np.argmax(below, axis=1)
    low, high = frequency[np.maximum(after - 1, 0)], frequency[after]
    for _ in range(40):
        middle = (low + high) / 2
        above = pick(curves, middle, frequency) > HALF
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.where(after > 0, low, np.nan)
