"""Complex optical transfer function of a round pupil with coma and defocus, in every direction.

The wavefront is ``W20 r^2 + W31 (r^2 - 2/3) x``, x along the coma's axis: the third-order coma of a decentred element,
with the tilt that minimises its mean square (Zernike's balance). The place of a disc is therefore that of its geometric
image, near the brightest part of a point's image. The light's centroid is ``W31 lambda 2N / 3`` farther along the axis
in all colours, since W31 is one optical path for all wavelengths.
The function is tabulated at a few defoci, directions and frequencies and interpolated: by polynomials through Chebyshev
points in defocus and in the direction's cosine (it is even about the axis), by cubic splines in frequency.
"""

from __future__ import annotations

from functools import lru_cache
from math import cos, pi, sqrt

import numpy as np
from numba import njit
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from glasswright_rehearsal.optics.quadrature import legendre_nodes

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LEAST_WAVES = 0.02
"""Less coma is ignored: it changes MTF50 by 2e-4 relative at f/4, by 3e-4 at f/8."""
GRID_WAVES = 0.5
"""Defocus tables begin and end at multiples of this, so that many discs use the same one."""


def transfer_comatic(relative_frequency: Array, waves: Array, coma_waves: float, cos_axis: Array) -> Complex:
    """Return the pupil's transfer function by place and direction.

    Parameters
    ----------
    relative_frequency
        (F,) frequency over the cut-off; 0 from 1 on.
    waves
        (P,) W20 in wavelengths.
    coma_waves
        W31 in wavelengths, 0 or more.
    cos_axis
        (P, D): cosine of the angle between direction and axis; 1 towards the tail of a point's image.

    Returns
    -------
    (P, D, F): Fourier transform of the line spread function in the direction, ``int l(t) exp(-2 pi i f t) dt``.
    """
    low = GRID_WAVES * float(np.floor(waves.min() / GRID_WAVES))
    high = max(GRID_WAVES * float(np.ceil(waves.max() / GRID_WAVES)), low + GRID_WAVES)
    coefficients = _tabulate(coma_waves, low, high)
    by_waves = chebyshev.chebvander((2 * waves - low - high) / (high - low), coefficients.shape[0] - 1)
    by_direction = chebyshev.chebvander(cos_axis, coefficients.shape[1] - 1)
    here = np.tensordot(by_waves, coefficients, 1)
    table = by_direction @ here
    turn = np.linspace(0, np.pi, table.shape[-1])
    inside = relative_frequency < 1
    result = np.zeros((*table.shape[:2], len(relative_frequency)), dtype=np.complex128)
    result[..., inside] = CubicSpline(turn, table, axis=-1)(np.arccos(1 - 2 * relative_frequency[inside]))
    return result


@lru_cache(maxsize=24)
def _tabulate(coma_waves: float, low: float, high: float) -> Complex:
    """Return Chebyshev coefficients (defoci, cosines, frequencies) of the transfer function.

    Frequencies are ``2 f / cut-off = 1 - cos t`` with equidistant t from 0 to pi, so that splines in t are accurate
    near the cut-off.
    """
    extent = max(abs(low), abs(high)) + coma_waves
    defocus_count = 10 + int(4 * (high - low))
    half_count = 7 + int(5 * coma_waves) if coma_waves else 1
    shear = 1 - np.cos(np.linspace(0, np.pi, 49 + int(20 * extent)))
    defocus = _points(defocus_count) * (high - low) / 2 + (high + low) / 2
    cosine = _points(2 * half_count)
    # the opposite direction has the complex conjugate
    first = sample_pupil(shear, defocus, coma_waves, cosine[:half_count])
    values = np.concatenate([first, first[:, ::-1].conj()], axis=1)
    along = np.linalg.inv(chebyshev.chebvander(_points(defocus_count), defocus_count - 1))
    round_about = np.linalg.inv(chebyshev.chebvander(cosine, 2 * half_count - 1))
    return np.asarray(np.einsum("an,bk,nkt->abt", along, round_about, values, optimize=True))


def _points(count: int) -> Array:
    """Return the Chebyshev points, from 1 down to -1."""
    return np.cos((np.arange(count) + 0.5) * np.pi / count)


def sample_pupil(shear: Array, waves: Array, coma_waves: float, cos_axis: Array) -> Complex:
    """Return the overlap integral of the two sheared pupils: (defoci, directions, shears).

    Parameters
    ----------
    shear
        Twice the frequency over the cut-off, 0 to 2.
    waves, coma_waves, cos_axis
        W20, W31 and cosines of the directions; W20 and cosines are 1-d arrays.
    """
    extent = float(np.abs(waves).max()) + coma_waves
    across = legendre_nodes(16 + int(7 * coma_waves))
    along = legendre_nodes(9 + int(6 * extent))
    result = np.empty((len(waves), len(cos_axis), len(shear)), dtype=np.complex128)
    _integrate(shear, waves, coma_waves, cos_axis, *across, *along, result)
    return result


@njit(cache=True, nogil=True)
def _integrate(
    shear: Array,
    waves: Array,
    coma: float,
    cos_axis: Array,
    point_across: Array,
    weight_across: Array,
    point_along: Array,
    weight_along: Array,
    result: Complex,
) -> None:
    """Fill `result`: H. H. Hopkins, "The frequency response of optical systems", Proc. Phys. Soc. B 69 (1956).

    With shears +-h along x', and y' across, the wavefronts differ by
    ``h (W31 c (6 x'^2 + 2 h^2 + 2 y'^2 - 4/3) + 4 x' (W20 - W31 s y'))``; the term odd in x' becomes a cosine.
    """
    for k in range(len(cos_axis)):
        c = cos_axis[k]
        s = sqrt(max(1 - c * c, 0.0))
        for i in range(len(shear)):
            h = shear[i] / 2
            most = sqrt(max(1 - h * h, 0.0))
            total = np.zeros(len(waves), dtype=np.complex128)
            for a in range(len(point_across)):
                # y = most sin t removes the square root at the ends
                y = most * np.sin(pi / 2 * point_across[a])
                stretch = most * pi / 2 * cos(pi / 2 * point_across[a]) * weight_across[a]
                reach = max(sqrt(1 - y * y) - h, 0.0)
                for b in range(len(point_along)):
                    x = reach * (point_along[b] + 1) / 2
                    phase = 2 * pi * h * coma * c * (6 * x * x + 2 * h * h + 2 * y * y - 4 / 3)
                    amount = stretch * reach * weight_along[b] * (cos(phase) - 1j * np.sin(phase))
                    for n in range(len(waves)):
                        total[n] += amount * cos(8 * pi * h * (waves[n] - coma * s * y) * x)
            result[:, k, i] = total / pi
