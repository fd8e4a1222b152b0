"""Transfer function and MTF50 of a fitted blur, along and across the image radius."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edges.kernel.parameters import EVEN_0, EVEN_2, EVEN_4, ODD_C1, PARAMETERS, WIDTH
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, ODD_COUNT, edge_shapes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FREQUENCY: Final = np.arange(0.0, 0.6001, 0.02)
"""Cycles/pixel at which the modulus is kept for drawings: a little beyond Nyquist's 0.5."""


def turn_pair(pair: Array, angle: Array) -> Array:
    """Rotate vectors (planes, discs, 2) from the image radius to the sensor's axes, each by its disc's angle."""
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * pair[..., 0] - s * pair[..., 1], s * pair[..., 0] + c * pair[..., 1]], axis=-1)


def turn_covariance(covariance: Array, which: list[int], angle: Array) -> Array:
    """Return the standard uncertainties along the sensor's axes of a pair of parameters: (planes, discs, 2)."""
    block = covariance[..., which, :][..., which]
    c, s = np.cos(angle), np.sin(angle)
    turn = np.stack([np.stack([c, -s], axis=-1), np.stack([s, c], axis=-1)], axis=-2)
    return np.asarray(np.sqrt(np.einsum("dij,pdjk,dik->pdi", turn, block, turn)))


def in_direction(angle: float) -> Array:
    """Return the matrix from parameters to the width and shapes in one direction: (1 + SHAPE_COUNT, PARAMETERS).

    The angle is counted from the image radius.
    """
    take = np.zeros((1 + EVEN_COUNT + ODD_COUNT, PARAMETERS))
    take[0, WIDTH:EVEN_0] = [1.0, *(f(k * angle) for k in (2, 4) for f in (np.cos, np.sin))]
    for j in range(EVEN_COUNT):
        for k, at in ((0, EVEN_0), (2, EVEN_2), (4, EVEN_4)):
            take[1 + j, at + j] = np.cos(k * angle)
    for j in range(ODD_COUNT):
        for m, weight in enumerate((np.cos(angle), np.cos(3 * angle), np.sin(angle), np.sin(3 * angle))):
            take[1 + EVEN_COUNT + j, ODD_C1 + m * ODD_COUNT + j] = weight
    return take


def read_sharpness(value: Array, covariance: Array) -> tuple[Array, Array, Array]:
    """Return MTF50, its standard uncertainty and the transfer function on FREQUENCY, sagittal then tangential.

    Parameters
    ----------
    value, covariance
        (planes, discs, at least PARAMETERS) and (planes, discs, PARAMETERS, PARAMETERS).

    Returns
    -------
    tuple
        (planes, discs, 2), the same, and (planes, discs, 2, frequencies).
    """
    mtf50, uncertainty, curves = [], [], []
    for angle in (np.pi / 2, 0.0):
        take = in_direction(angle)
        amounts = value[..., :PARAMETERS] @ take.T
        spread = take @ covariance @ take.T
        half, slope, curve = half_point(amounts)
        mtf50.append(half)
        uncertainty.append(np.sqrt(np.einsum("pdi,pdij,pdj->pd", slope, spread, slope)))
        curves.append(curve)
    return np.stack(mtf50, axis=-1), np.stack(uncertainty, axis=-1), np.stack(curves, axis=-2)


def read_mean_sharpness(value: Array, covariance: Array) -> tuple[Array, Array, Array]:
    """Return the same for the blur's mean over all directions: (planes, discs) twice, (planes, discs, frequencies).

    It is that of the mean width and the even shapes' harmonic 0, and does not depend on the image radius.
    """
    take = np.zeros((1 + EVEN_COUNT + ODD_COUNT, PARAMETERS))
    take[0, WIDTH] = 1.0
    take[1 : 1 + EVEN_COUNT, EVEN_0 : EVEN_0 + EVEN_COUNT] = np.eye(EVEN_COUNT)
    half, slope, curve = half_point(value[..., :PARAMETERS] @ take.T)
    spread = take @ covariance @ take.T
    return half, np.sqrt(np.einsum("pdi,pdij,pdj->pd", slope, spread, slope)), curve


def half_point(amounts: Array) -> tuple[Array, Array, Array]:
    """Return MTF50, its derivatives by the coefficients, and the MTF on FREQUENCY.

    `amounts` is (..., 1 + SHAPE_COUNT): width, even and odd shapes of one direction.
    """
    shapes = edge_shapes()
    width = amounts[..., 0]
    with np.errstate(invalid="ignore"):
        base = 1 / np.sqrt(np.where(width > 0, width, np.nan))
    real = shapes.transfer[0] + amounts[..., 1 : 1 + EVEN_COUNT] @ shapes.transfer[1 : 1 + EVEN_COUNT]
    imaginary = amounts[..., 1 + EVEN_COUNT :] @ shapes.transfer[1 + EVEN_COUNT :]
    modulus = np.hypot(real, imaginary)
    after = np.argmax(modulus < 0.5, axis=-1)[..., None]
    before = np.maximum(after - 1, 0)
    high, low = np.take_along_axis(modulus, before, axis=-1), np.take_along_axis(modulus, after, axis=-1)
    share = np.divide(high - 0.5, high - low, out=np.full_like(high, np.nan), where=(after > 0) & (high > low))[..., 0]
    step = shapes.frequency[1] - shapes.frequency[0]
    crossing = shapes.frequency[before[..., 0]] + step * share
    half = base * crossing

    def there(rows: Array) -> Array:
        return np.asarray((1 - share) * rows[..., before[..., 0]] + share * rows[..., after[..., 0]])

    fall = ((low - high) / step)[..., 0]
    by_even = [
        there(row) * np.take_along_axis(real, before, axis=-1)[..., 0] for row in shapes.transfer[1 : 1 + EVEN_COUNT]
    ]
    by_odd = [
        there(row) * np.take_along_axis(imaginary, before, axis=-1)[..., 0] for row in shapes.transfer[1 + EVEN_COUNT :]
    ]
    # the modulus changes by (re dre + im dim) / modulus, the crossing by that over minus the slope
    moved = np.stack([*by_even, *by_odd], axis=-1) / 0.5 / -fall[..., None]
    slope = np.concatenate([(-0.5 * half / width)[..., None], base[..., None] * moved], axis=-1)
    return half, slope, _on_frequency(modulus, base, half, step)


def _on_frequency(modulus: Array, base: Array, half: Array, step: float) -> Array:
    """Return the MTF on FREQUENCY, (..., frequencies), from samples in units of each blur's scale; NaN without
    MTF50."""
    known = np.concatenate([np.ones((*base.shape, 1)), modulus], axis=-1)
    scaled = FREQUENCY / base[..., None] / step
    # the MTF is 1 at frequency 0, half a step before the first sample
    place = np.where(np.isfinite(half)[..., None], np.minimum(2 * scaled, scaled + 0.5), 0.0)
    place = np.minimum(place, modulus.shape[-1])
    whole = np.minimum(place.astype(np.intp), modulus.shape[-1] - 1)
    low, high = np.take_along_axis(known, whole, axis=-1), np.take_along_axis(known, whole + 1, axis=-1)
    return np.where(np.isfinite(half)[..., None], low + (place - whole) * (high - low), np.nan)
