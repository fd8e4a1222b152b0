"""The family of blurs from which shapes and prior are made: transfer functions of aberrated pupils.

Each member is a pupil with some wavefront error, blurred further by a pixel's aperture and a Gaussian for all other
causes. Members that are not round are sampled in sixteen directions.
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

FREQUENCY_STEP: Final = 0.02
"""In MTF50. The profiles repeat after its inverse, 50, far beyond their reach."""
FREQUENCY: Final = np.arange(FREQUENCY_STEP / 2, 12.0, FREQUENCY_STEP)
"""In units of MTF50; at 12 all members' transfer functions are negligible."""
TURNS: Final = 8
"""Steps, of a sixteenth of a turn, from the aberrations' axis to its other end; the other half is mirrored."""
PIXELS: Final = (0.0, 0.4, 1.0, 2.0, 4.0)
SIGMAS: Final = (0.0, 0.35, 0.8)
"""Widths of the pixel and of the Gaussian, in units of 1/cut-off: from a pupil alone to a negligible one. A pixel of
4 um has 1.8 to 0.5 at 550 nm and f/4 to f/16."""
STRETCHES: Final = (1.05, 1.1, 1.2, 1.35, 1.5)
"""Ratios of the widths of blurs that are wider in one direction (movement, cylinder error)."""
HALO_SHARES: Final = (0.05, 0.1, 0.2)
HALO_RATIOS: Final = (2.0, 3.0, 5.0)
"""Halos: their share of the light, and their width over that of the rest."""
HAZY_STRETCHES: Final = (1.1, 1.35, 1.8)
"""As STRETCHES, of the blurs to which a halo is added."""
PIXEL_OF_HAZY: Final = 0.8
"""Their pixel, over sigma."""
_NEWTON_STEPS: Final = 5
"""Newton doubles the correct digits in each: from 1 to 32."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wavefront:
    """Coefficients in wavelengths: W20, W40, W31 (its mean tilt taken off) and W22, the last two along x."""

    defocus: float = 0.0
    spherical: float = 0.0
    coma: float = 0.0
    astigmatism: float = 0.0

    def at(self, x: Array, y: Array) -> Array:
        """Return the wavefront error at a point of the unit pupil."""
        square = x**2 + y**2
        return np.asarray(
            self.defocus * square
            + self.spherical * square**2
            + self.coma * (square - 2 / 3) * x
            + self.astigmatism * x**2
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples:
    """Transfer functions scaled so that the real part first falls to one half at frequency 1, free of shift.

    Rows run over members, and where there is a second axis over directions 0 ... TURNS from the axis.
    """

    transfer: Complex
    width: Array
    """1 / MTF50^2 (of the real part), in units of each member's first direction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """The samples by kind; the first two are round and have one direction."""

    plain: Samples
    halos: Samples
    astigmatic: Samples
    stretched: Samples
    hazy: Samples
    comatic: Samples


@cache
def family() -> Family:
    """Sample the whole family; computed once in a process."""
    return Family(
        plain=sample_round(),
        halos=sample_halos(),
        astigmatic=sample_directional(astigmatic_wavefronts()),
        stretched=sample_stretched(),
        hazy=sample_hazy(),
        comatic=sample_directional(comatic_wavefronts()),
    )


def pupil_transfer(shear: Array, wavefront: Wavefront, angle: float = 0.0, nodes: int = 16) -> Complex:
    """Return the optical transfer function of a round pupil in one direction.

    It is the pupil's autocorrelation, by Gauss-Legendre quadrature over the overlap of the two sheared pupils
    (Goodman, Introduction to Fourier Optics, chapter on incoherent imaging; from memory).

    Parameters
    ----------
    shear
        Frequency over half the cut-off: ``2 f / cutoff``; zero from 2 on.
    wavefront, angle
        The error, and the direction from its axis, radian.
    nodes
        Quadrature points on each axis.
    """
    point, weight = _gauss_nodes(nodes)
    half = np.clip(shear, 0.0, 2.0)[:, None, None] / 2
    # sine substitution: the overlap ends like a circle, which polynomials fit badly
    turn = np.pi / 2 * point[None, :, None]
    across = np.sin(turn) * np.sqrt(1 - half**2)
    reach = np.sqrt(1 - across**2) - half
    along = reach * point[None, None, :]
    wide = np.pi / 2 * np.cos(turn) * weight[None, :, None] * np.sqrt(1 - half**2)
    area = wide * reach * weight[None, None, :]
    c, s = np.cos(angle), np.sin(angle)
    ahead, behind = along + half, along - half
    difference = wavefront.at(ahead * c - across * s, ahead * s + across * c) - wavefront.at(
        behind * c - across * s, behind * s + across * c
    )
    return np.asarray(np.sum(area * np.exp(2j * np.pi * difference), axis=(1, 2)) / np.pi)


@cache
def _gauss_nodes(count: int) -> tuple[Array, Array]:
    """Return the nodes and weights of Gauss-Legendre quadrature."""
    return np.polynomial.legendre.leggauss(count)


def round_wavefronts() -> Iterator[Wavefront]:
    """Yield wavefronts of round blurs."""
    for defocus in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0):
        yield Wavefront(defocus=defocus)
    for spherical in (0.25, -0.25, 0.5):
        for balance in (-1.5, -1.0, -0.5, 0.0):
            yield Wavefront(defocus=balance * spherical, spherical=spherical)


def astigmatic_wavefronts() -> Iterator[Wavefront]:
    """Yield astigmatic wavefronts, each also with its two foci exchanged."""
    for along, across in ((0.25, 0.0), (0.45, 0.2), (0.2, 0.1), (0.125, -0.125), (0.5, 0.0), (0.25, -0.25), (0.5, 0.3)):
        yield Wavefront(defocus=across, astigmatism=along - across)
        yield Wavefront(defocus=along, astigmatism=across - along)


def comatic_wavefronts() -> Iterator[Wavefront]:
    """Yield comatic wavefronts."""
    for coma in (0.15, 0.33, 0.47, 0.6):
        for defocus in (0.0, 0.2, 0.4):
            yield Wavefront(coma=coma, defocus=defocus)


def sample_round() -> Samples:
    """Sample the round blurs, with and without diffraction: one direction each."""
    shear = np.linspace(0.0, 2.0, 101)
    pupils = [row for wavefront in round_wavefronts() for row in _widened(shear, pupil_transfer(shear, wavefront))]
    axis = np.linspace(0.0, 2.0, 2001)
    gauss = np.exp(-2 * (np.pi * axis) ** 2)
    plain = np.array([gauss * np.sinc(pixel * axis) for pixel in PIXELS[:4]], np.complex128)
    waves = scaled(shear / 2, np.array(pupils))[0]
    transfer = np.vstack([waves, scaled(axis, plain)[0]])
    return Samples(transfer=transfer, width=np.ones(len(transfer)))


def sample_halos() -> Samples:
    """Sample Gaussians each with a wider and weaker one added: one direction each."""
    axis = np.linspace(0.0, 2.0, 2001)
    gauss = np.exp(-2 * (np.pi * axis) ** 2)
    mixed = [(1 - share) * gauss + share * gauss ** (ratio**2) for share in HALO_SHARES for ratio in HALO_RATIOS]
    return Samples(transfer=scaled(axis, np.array(mixed, np.complex128))[0], width=np.ones(len(mixed)))


def sample_stretched() -> Samples:
    """Sample Gaussians stretched along or across the axis, with a pixel: (members, directions).

    Movement and other blur without diffraction stretches an edge's width and does not change its shape.
    """
    axis = np.linspace(0.0, 2.0, 1001)
    turn = np.pi * np.arange(TURNS + 1) / TURNS
    transfer, width = [], []
    for ratio in STRETCHES:
        for along, across in ((ratio, 1.0), (1.0, ratio)):
            sigma = np.hypot(along * np.cos(turn), across * np.sin(turn))
            for pixel in PIXELS[:4]:
                rows = np.exp(-2 * (np.pi * sigma[:, None] * axis) ** 2) * np.sinc(pixel * axis)
                found, half = scaled(axis, np.asarray(rows, np.complex128))
                transfer.append(found)
                width.append((half[0] / half) ** 2)
    return Samples(transfer=np.array(transfer), width=np.array(width))


def sample_hazy() -> Samples:
    """Sample stretched Gaussians with a pixel, each with a round halo added: (members, directions).

    Light scattered over a few pixels is the same in all directions, and the blur of a tilted lens is not: the halo's
    part of an edge's shape then depends on direction.
    """
    axis = np.linspace(0.0, 2.0, 2001)
    turn = np.pi * np.arange(TURNS + 1) / TURNS
    transfer, width = [], []
    for stretch in HAZY_STRETCHES:
        for along, across in ((stretch, 1.0), (1.0, stretch)):
            sigma = np.hypot(along * np.cos(turn), across * np.sin(turn))
            core = np.exp(-2 * (np.pi * sigma[:, None] * axis) ** 2)
            for share in HALO_SHARES:
                for ratio in HALO_RATIOS:
                    halo = np.exp(-2 * stretch * (np.pi * ratio * axis) ** 2)  # of the core's mean sigma
                    rows = ((1 - share) * core + share * halo) * np.sinc(PIXEL_OF_HAZY * axis)
                    found, half = scaled(axis, np.asarray(rows, np.complex128))
                    transfer.append(found)
                    width.append((half[0] / half) ** 2)
    return Samples(transfer=np.array(transfer), width=np.array(width))


def sample_directional(wavefronts: Iterator[Wavefront]) -> Samples:
    """Sample blurs that are not round: (members, directions)."""
    shear = np.linspace(0.0, 2.0, 61)
    transfer, width = [], []
    for wavefront in wavefronts:
        turned = [pupil_transfer(shear, wavefront, np.pi * k / TURNS) for k in range(TURNS + 1)]
        members = np.stack([_widened(shear, row) for row in turned], axis=1)
        found, half = scaled(shear / 2, members.reshape(-1, len(shear)))
        half = half.reshape(members.shape[:2])
        transfer.append(found.reshape(*members.shape[:2], -1))
        width.append((half[:, :1] / half) ** 2)
    return Samples(transfer=np.concatenate(transfer), width=np.concatenate(width))


def _widened(shear: Array, pupil: Complex) -> list[Complex]:
    """Blur a pupil's transfer function by each pixel and each Gaussian."""
    return [
        pupil * np.sinc(pixel * shear / 2) * np.exp(-2 * (np.pi * sigma * shear / 2) ** 2)
        for pixel in PIXELS
        for sigma in SIGMAS
    ]


def scaled(axis: Array, transfer: Complex) -> tuple[Complex, Array]:
    """Remove the shift from transfer functions, and resample them so that the real part first falls to 1/2 at 1.

    Parameters
    ----------
    axis
        Frequencies of the samples, evenly spaced from 0; shape (samples,).
    transfer
        (rows, samples).

    Returns
    -------
    tuple
        The values on FREQUENCY, (rows, frequencies), and the frequencies of the half points, (rows,).
    """
    place = np.zeros(len(transfer))
    moved = transfer
    for _ in range(4 if np.any(transfer.imag) else 0):
        # least squares of the odd part of the edge profile on its slope (Parseval)
        ratio = np.divide(moved.imag, axis, out=np.zeros(moved.shape), where=axis > 0)
        place -= (ratio * moved.real).sum(axis=1) / (2 * np.pi * (moved.real**2).sum(axis=1))
        moved = transfer * np.exp(2j * np.pi * axis * place[:, None])
    after = np.argmax(moved.real < 0.5, axis=1)[:, None]
    samples = _extended(moved)
    position = after - 0.5
    for _ in range(_NEWTON_STEPS):
        step = 0.01
        slope = (_between(samples, position + step) - _between(samples, position - step)).real / (2 * step)
        position = np.clip(position - (_between(samples, position).real - 0.5) / slope, after - 1, after)
    # zero beyond the last sample
    filled = FREQUENCY * position.min() < transfer.shape[1]
    value = np.zeros((len(transfer), len(FREQUENCY)), np.complex128)
    value[:, filled] = _between(samples, FREQUENCY[filled] * position)
    return value, position[:, 0] * axis[1]


def _extended(transfer: Complex) -> Complex:
    """Add a sample before the first and three beyond the last: a pupil's transfer function starts with a slope."""
    before = 3 * transfer[:, :1] - 3 * transfer[:, 1:2] + transfer[:, 2:3]
    return np.hstack([before, transfer, np.zeros((len(transfer), 3))])


def _between(samples: Complex, position: Array) -> Complex:
    """Interpolate extended rows by cubics through four samples; zero beyond the last.

    Linear interpolation between so few samples would make every shape 0.1 % too wide.
    """
    whole = np.minimum(position.astype(np.intp), samples.shape[1] - 4)
    t = position - whole
    scales = (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )
    value = sum(share * np.take_along_axis(samples, whole + k, axis=1) for k, share in enumerate(scales))
    return np.where(position <= samples.shape[1] - 5, value, 0.0)
