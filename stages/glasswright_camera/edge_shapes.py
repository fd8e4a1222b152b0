"""The shapes a blurred edge can take, whatever its width.

A lens blurs an edge by diffraction, defocus, spherical aberration, coma and scatter, a pixel by its own width. Scaled
so that each has its 50 % point at one frequency, the edge profiles of all of them differ little, and the differences
have few independent directions. These are found here, from physics alone: the transfer functions of a family of
aberrated pupils are summed up, scaled, turned into edge profiles, and their principal components taken.

Two things follow. The components vanish at the 50 % frequency, so that in a fit of *width + shape* the width alone
carries MTF50, unbiased by the shape. And the tails (an edge blurred by diffraction reaches its level as slowly as
1/distance) are part of the shapes, so that none of them is cut off by a window.

Lengths are in units of 1/MTF50 (u = distance times MTF50), frequencies in units of MTF50.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Complex = NDArray[np.complex128]

EVEN_COUNT: Final = 5
REACH: Final = 6.0
STEP: Final = 0.005
FITTED_REACH: Final = 4.0

_FREQUENCY_STEP: Final = 0.02
_FREQUENCY_END: Final = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeShapes:
    """The mean edge profile, its principal departures, and their transfer functions.

    `table` has shape (points, 2 + EVEN_COUNT) on ``u = -REACH ... REACH`` in steps of STEP: the mean profile (0 dark to
    1 light), EVEN_COUNT departures that keep an edge symmetric, and one that makes it lopsided (coma), free of any
    shift. `spread` is how much of each occurs in the family (standard deviation). `frequency` and `transfer`, shape
    (2 + EVEN_COUNT, frequencies), are the same in frequencies; the last row is the imaginary part.
    """

    table: Array
    spread: Array
    frequency: Array
    transfer: Array


def pupil_transfer(
    shift: Array, *, defocus: float = 0.0, spherical: float = 0.0, coma: float = 0.0, nodes: int = 40
) -> Complex:
    """Give the optical transfer function of a circular pupil along one axis.

    It is the pupil's autocorrelation, by Gauss-Legendre quadrature over the overlap of the two sheared pupils
    (Goodman, Introduction to Fourier Optics, chapter on incoherent imaging; from memory).

    Parameters
    ----------
    shift
        Frequency over half the cut-off: ``2 f / cutoff``; zero from 2 on.
    defocus, spherical, coma
        Wavefront coefficients W20, W40 and W31 (along the axis, its mean tilt taken off) in wavelengths.
    nodes
        Quadrature points on each axis.
    """
    point, weight = np.polynomial.legendre.leggauss(nodes)
    half = np.clip(shift, 0.0, 2.0)[:, None, None] / 2
    across = point[None, :, None] * np.sqrt(1 - half**2)
    reach = np.sqrt(1 - across**2) - half
    along = reach * point[None, None, :]
    area = weight[None, :, None] * np.sqrt(1 - half**2) * reach * weight[None, None, :]

    def wavefront(x: Array) -> Array:
        square = x**2 + across**2
        return defocus * square + spherical * square**2 + coma * (square - 2 / 3) * x

    phase = 2 * np.pi * (wavefront(along + half) - wavefront(along - half))
    return np.asarray(np.sum(area * np.exp(1j * phase), axis=(1, 2)) / np.pi)


def _aberrated_pupils() -> Iterator[tuple[float, float, float]]:
    """Yield (defocus, spherical, coma) in wavelengths: what a lens fit for a stand may show."""
    for defocus in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0):
        yield defocus, 0.0, 0.0
    for spherical in (0.25, -0.25, 0.5):
        for balance in (-1.5, -1.0, -0.5, 0.0):
            yield balance * spherical, spherical, 0.0
    for coma in (0.2, 0.4, 0.6):
        for defocus in (0.0, 0.2, 0.4):
            yield defocus, 0.0, coma


def _family(frequency: Array) -> Iterator[Complex]:
    """Yield the transfer functions of the family on frequencies in units of each one's own 50 % point."""
    shift = np.linspace(0.0, 2.0, 101)
    for defocus, spherical, coma in _aberrated_pupils():
        pupil = pupil_transfer(shift, defocus=defocus, spherical=spherical, coma=coma)
        for pixel in (0.0, 0.4, 1.0, 2.0, 4.0):  # widths in units of 1/cutoff
            for sigma in (0.0, 0.35, 0.8):
                width: Array = np.sinc(pixel * shift / 2) * np.exp(-2 * (np.pi * sigma * shift / 2) ** 2)
                yield _scaled(shift / 2, pupil * width, frequency)
    axis = np.linspace(0.0, 2.0, 2001)
    gauss = np.exp(-2 * (np.pi * axis) ** 2)
    for pixel in (0.0, 1.0, 2.0, 3.0):
        yield _scaled(axis, (gauss * np.sinc(pixel * axis)).astype(np.complex128), frequency)
    for share in (0.05, 0.1, 0.2):
        for ratio in (2.0, 3.0, 5.0):
            yield _scaled(axis, ((1 - share) * gauss + share * gauss ** (ratio**2)).astype(np.complex128), frequency)


def _scaled(axis: Array, transfer: Complex, frequency: Array) -> Complex:
    """Resample a transfer function so that its real part first falls to one half at frequency 1."""
    after = int(np.argmax(transfer.real < 0.5))
    high, low = transfer.real[after - 1], transfer.real[after]
    half = axis[after - 1] + (high - 0.5) / (high - low) * (axis[after] - axis[after - 1])
    real = np.interp(frequency * half, axis, transfer.real, right=0.0)
    imaginary = np.interp(frequency * half, axis, transfer.imag, right=0.0)
    return np.asarray(real + 1j * imaginary)


@cache
def edge_shapes() -> EdgeShapes:
    """Give the edge shapes; computed once in a process (about a third of a second)."""
    frequency = np.arange(_FREQUENCY_STEP / 2, _FREQUENCY_END, _FREQUENCY_STEP)
    family = np.array(list(_family(frequency)))
    place = np.arange(-round(REACH / STEP), round(REACH / STEP) + 1) * STEP
    phase = 2 * np.pi * np.outer(frequency, place)
    weight = (_FREQUENCY_STEP / (np.pi * frequency))[:, None]
    even = family.real @ (np.sin(phase) * weight)
    odd = family.imag @ (np.cos(phase) * weight)

    fitted = np.abs(place) <= FITTED_REACH * 0.75
    departure = even - even.mean(axis=0)
    left, value, _ = np.linalg.svd(departure[:, fitted], full_matrices=False)
    amount = left[:, :EVEN_COUNT] * value[:EVEN_COUNT]
    spread = amount.std(axis=0)
    back = np.linalg.pinv(amount / spread)

    mean = even.mean(axis=0)
    slope = np.gradient(mean, STEP)
    slope_transfer = 2 * np.pi * frequency * family.real.mean(axis=0)
    comatic = np.ptp(odd, axis=1) > 1e-6
    shift = odd[comatic] @ slope / (slope @ slope)
    lopsided = odd[comatic] - shift[:, None] * slope
    lopsided_transfer = family.imag[comatic] - shift[:, None] * slope_transfer
    size = np.sqrt((lopsided**2).sum(axis=1))
    sign = np.sign(lopsided @ lopsided[-1])
    share = sign * size / (size**2).sum()  # least-squares common shape, its amount scaled to unit spread
    scale = np.sqrt(np.mean(size**2)) / np.sqrt(((share @ lopsided) ** 2).sum())

    table = np.column_stack([0.5 + mean, (back @ departure).T, scale * (share @ lopsided)])
    transfer = np.vstack(
        [
            family.real.mean(axis=0),
            back @ (family.real - family.real.mean(axis=0)),
            scale * (share @ lopsided_transfer),
        ]
    )
    return EdgeShapes(
        table=np.ascontiguousarray(table),
        spread=np.append(np.ones(EVEN_COUNT), 1.0),
        frequency=frequency,
        transfer=transfer,
    )
