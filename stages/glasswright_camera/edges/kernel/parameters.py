"""The parameters of a disc's edge, and their dependence on direction.

Directions a are those of the edge's normal, counted from the image radius. The model of the light in direction a at
distance d from the predicted edge is

    (1 + (1 + d / R) (gx cos a + gy sin a)) (dark + step e(u)),   u = (d - shift(a)) / sqrt(w(a)),
    e = mean(u) + sum_k s_k(a) P_k(u) + sum_j o_j(a) O_j(u)

with shift(a) = r + x cos a + y sin a + the ellipse's harmonic 2, and w(a), the square of 1/MTF50, = w_0 + harmonics 2
and 4. (Variances of independent blurs add, and an astigmatic one varies as cos 2a; with diffraction this is
approximate.) The coefficients of even shapes have harmonics 0, 2 and 4, cosine only; those of odd shapes harmonics 1
and 3. The shapes are defined in `shapes`, the cells in `bins`, the prior in `prior`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from glasswright_camera.compiled import part
from glasswright_camera.edges.kernel.bins import DIRECTIONS
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, ODD_COUNT

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

DARK, CONTRAST = 0, 1
GRADIENT_X, GRADIENT_Y = 2, 3
SHIFT, SHIFT_X, SHIFT_Y, SHIFT_C2, SHIFT_S2 = range(4, 9)
WIDTH, WIDTH_C2, WIDTH_S2, WIDTH_C4, WIDTH_S4 = range(9, 14)
EVEN_0: Final = 14
EVEN_2: Final = EVEN_0 + EVEN_COUNT
EVEN_4: Final = EVEN_2 + EVEN_COUNT
ODD_C1: Final = EVEN_4 + EVEN_COUNT
ODD_C3: Final = ODD_C1 + ODD_COUNT
ODD_S1: Final = ODD_C3 + ODD_COUNT
ODD_S3: Final = ODD_S1 + ODD_COUNT
PARAMETERS: Final = ODD_S3 + ODD_COUNT
"""Index of each parameter in the vector. A number is the harmonic in the direction a; C is its cosine, S its sine;
shapes without either letter vary with the cosine. Shapes take EVEN_COUNT or ODD_COUNT places each."""

SHAPE_COUNT: Final = EVEN_COUNT + ODD_COUNT
RADIAL_COUNT: Final = 5 + SHAPE_COUNT
"""Functions of distance within a direction: level, e, slope of light, shift, width, even shapes, odd shapes."""


@part
def angular_factors(which: Counts, factor: Array) -> None:
    """Fill the index of the function of distance that each parameter scales, and its factor in each direction.

    `which`, the index, is (PARAMETERS,), `factor` (DIRECTIONS, PARAMETERS).
    """
    which[DARK], which[CONTRAST] = 0, 1
    which[GRADIENT_X], which[GRADIENT_Y] = 2, 2
    which[SHIFT:WIDTH] = 3
    which[WIDTH:EVEN_0] = 4
    for j in range(EVEN_COUNT):
        which[EVEN_0 + j], which[EVEN_2 + j], which[EVEN_4 + j] = 5 + j, 5 + j, 5 + j
    for m in range(4):
        for j in range(ODD_COUNT):
            which[ODD_C1 + m * ODD_COUNT + j] = 5 + EVEN_COUNT + j
    half = math.pi / DIRECTIONS
    for direction in range(DIRECTIONS):
        angle = (direction + 0.5) / DIRECTIONS * 2 * math.pi
        c1, s1 = _mean_turn(angle, half, 1)
        c2, s2 = _mean_turn(angle, half, 2)
        c3, s3 = _mean_turn(angle, half, 3)
        c4, s4 = _mean_turn(angle, half, 4)
        f = factor[direction]
        f[:] = 1.0
        f[GRADIENT_X], f[GRADIENT_Y] = c1, s1
        f[SHIFT_X], f[SHIFT_Y], f[SHIFT_C2], f[SHIFT_S2] = c1, s1, c2, s2
        f[WIDTH_C2], f[WIDTH_S2], f[WIDTH_C4], f[WIDTH_S4] = c2, s2, c4, s4
        f[EVEN_2:EVEN_4] = c2
        f[EVEN_4:ODD_C1] = c4
        f[ODD_C1:ODD_C3] = c1
        f[ODD_C3:ODD_S1] = c3
        f[ODD_S1:ODD_S3] = s1
        f[ODD_S3:PARAMETERS] = s3


@part
def factor_slopes(factor: Array, slope: Array) -> None:
    """Fill the derivative of each factor of `angular_factors` by direction, per radian; same shape."""
    slope[:, :] = 0.0
    for direction in range(DIRECTIONS):
        f, g = factor[direction], slope[direction]
        for m in (GRADIENT_X, SHIFT_X):
            g[m], g[m + 1] = -f[m + 1], f[m]
        for m in (SHIFT_C2, WIDTH_C2):
            g[m], g[m + 1] = -2 * f[m + 1], 2 * f[m]
        g[WIDTH_C4], g[WIDTH_S4] = -4 * f[WIDTH_S4], 4 * f[WIDTH_C4]
        g[EVEN_2:EVEN_4] = -2 * f[WIDTH_S2]
        g[EVEN_4:ODD_C1] = -4 * f[WIDTH_S4]
        for j in range(ODD_COUNT):
            for m, times in ((0, 1), (1, 3)):
                along, across = ODD_C1 + m * ODD_COUNT + j, ODD_C1 + (m + 2) * ODD_COUNT + j
                g[along], g[across] = -times * f[across], times * f[along]


@part
def _mean_turn(angle: float, half: float, times: int) -> tuple[float, float]:
    """Return the means of cos and sin of `times` the angle over a sector of half-width `half`."""
    mean = math.sin(times * half) / (times * half)
    return mean * math.cos(times * angle), mean * math.sin(times * angle)
