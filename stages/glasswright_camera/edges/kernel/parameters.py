"""What a disc's edge is described by, and how each parameter runs with direction.

Directions a are those of the edge's normal, counted from the image radius. The model of the light in direction a at
distance d from the predicted edge is

    (1 + (1 + d / R) (gx cos a + gy sin a)) (dark + step e(u)),   u = (d - shift(a)) / sqrt(w(a)),
    e = mean(u) + sum_k s_k(a) P_k(u) + sum_j o_j(a) O_j(u)

with shift(a) = r + x cos a + y sin a + an ellipse's terms in 2a, and w(a) = w_0 + terms in 2a and 4a the square of
1/MTF50 (blur variances of different origin add, and an astigmatic one runs as cos 2a; one made by waves, not quite).
The amounts of the symmetric shapes run in cos 2a and cos 4a, those of the lopsided ones in a and 3a. `shapes` says
what the shapes are, `bins` what is fitted, `prior` what is expected of the amounts.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from glasswright_camera.compiled import compiled
from glasswright_camera.edges.kernel.bins import DIRECTIONS
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, ODD_COUNT

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Counts = NDArray[np.int64]

EVEN: Final = EVEN_COUNT
ODD: Final = ODD_COUNT

DARK, CONTRAST, GRADIENT, SHIFT, WIDTH, SHAPE = 0, 1, 2, 4, 9, 14
"""Of each: shift mean, cos a, sin a, cos 2a, sin 2a; width mean, cos 2a, sin 2a, cos 4a, sin 4a."""
TURN: Final = SHAPE + EVEN
"""EVEN amounts that run as cos 2a, then EVEN as cos 4a."""
LOPSIDED: Final = TURN + 2 * EVEN
"""ODD amounts for each of cos a, cos 3a, sin a, sin 3a."""
PARAMETERS: Final = LOPSIDED + 4 * ODD

# functions of distance within a direction: level, e, slope of light, move, widen, EVEN shapes, ODD lopsided ones
SHAPES: Final = EVEN + ODD
RADIAL: Final = 5 + SHAPES


@compiled
def angular_factors(which: Counts, factor: Array) -> None:
    """Fill, for each parameter, which function of distance it scales, and by how much in each direction.

    `which` is (PARAMETERS,), `factor` (DIRECTIONS, PARAMETERS).
    """
    which[DARK], which[CONTRAST] = 0, 1
    which[GRADIENT], which[GRADIENT + 1] = 2, 2
    which[SHIFT:WIDTH] = 3
    which[WIDTH:SHAPE] = 4
    for j in range(EVEN):
        which[SHAPE + j], which[TURN + j], which[TURN + EVEN + j] = 5 + j, 5 + j, 5 + j
    for m in range(4):
        for j in range(ODD):
            which[LOPSIDED + m * ODD + j] = 5 + EVEN + j
    half = math.pi / DIRECTIONS
    for direction in range(DIRECTIONS):
        angle = (direction + 0.5) / DIRECTIONS * 2 * math.pi
        c1, s1 = _mean_turn(angle, half, 1)
        c2, s2 = _mean_turn(angle, half, 2)
        c3, s3 = _mean_turn(angle, half, 3)
        c4, s4 = _mean_turn(angle, half, 4)
        f = factor[direction]
        f[:] = 1.0
        f[GRADIENT], f[GRADIENT + 1] = c1, s1
        f[SHIFT + 1], f[SHIFT + 2], f[SHIFT + 3], f[SHIFT + 4] = c1, s1, c2, s2
        f[WIDTH + 1], f[WIDTH + 2], f[WIDTH + 3], f[WIDTH + 4] = c2, s2, c4, s4
        f[TURN : TURN + EVEN] = c2
        f[TURN + EVEN : LOPSIDED] = c4
        f[LOPSIDED : LOPSIDED + ODD] = c1
        f[LOPSIDED + ODD : LOPSIDED + 2 * ODD] = c3
        f[LOPSIDED + 2 * ODD : LOPSIDED + 3 * ODD] = s1
        f[LOPSIDED + 3 * ODD : PARAMETERS] = s3


@compiled
def factor_slopes(factor: Array, slope: Array) -> None:
    """Fill how fast each factor of `angular_factors` changes with direction, for each radian: the same shape."""
    slope[:, :] = 0.0
    for direction in range(DIRECTIONS):
        f, g = factor[direction], slope[direction]
        for m in (GRADIENT, SHIFT + 1):
            g[m], g[m + 1] = -f[m + 1], f[m]
        for m in (SHIFT + 3, WIDTH + 1):
            g[m], g[m + 1] = -2 * f[m + 1], 2 * f[m]
        g[WIDTH + 3], g[WIDTH + 4] = -4 * f[WIDTH + 4], 4 * f[WIDTH + 3]
        g[TURN : TURN + EVEN] = -2 * f[WIDTH + 2]
        g[TURN + EVEN : LOPSIDED] = -4 * f[WIDTH + 4]
        for j in range(ODD):
            for m, times in ((0, 1), (1, 3)):
                along, across = LOPSIDED + m * ODD + j, LOPSIDED + (m + 2) * ODD + j
                g[along], g[across] = -times * f[across], times * f[along]


@compiled
def _mean_turn(angle: float, half: float, times: int) -> tuple[float, float]:
    """Give the means of cos and sin of a multiple of the angle over a direction's sixteenth of a turn."""
    mean = math.sin(times * half) / (times * half)
    return mean * math.cos(times * angle), mean * math.sin(times * angle)
