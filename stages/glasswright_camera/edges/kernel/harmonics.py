"""What bending adds to an edge where blur is not round.

Blur that turns with direction spreads light along a bent edge otherwise than across it. A disc of radius R (in units of
1/MTF50) under a transfer function ``T_m(f) cos(m phi)``, m even, has at the distance u outside its edge the light

    -2 pi R (-1)^(m/2) int J1(2 pi R f) Jm(2 pi (R + u) f) T_m(f) df cos(m theta)

(Hankel transform of order m; Bracewell, The Fourier Transform and Its Applications; from memory), where the round
parts have J0. And where blur is wider than the mean one, the edge is more bent for it. What differs is to first order
``m^2 / (4 pi R f)`` of a wave of each frequency: a small part of the light, but as large as the shapes that astigmatism
gives to an edge. It is taken as linear in the widths and amounts that turn, and of the amounts at which a fit begins.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import j0, j1

from glasswright_camera.compiled import compiled
from glasswright_camera.edges.kernel.bins import DIRECTIONS
from glasswright_camera.edges.kernel.curved import CURVATURES, added_by_curvature, find_curvature, sample_transfer
from glasswright_camera.edges.kernel.parameters import EVEN_0, EVEN_2, WIDTH, WIDTH_C2
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, REACH, edge_shapes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

HARMONIC_STEP: Final = 0.08
"""Grid in 1/MTF50: 0.4 of a Gaussian's sigma, enough for a small and smooth correction."""
_LEAST_CURVATURE: Final = 1 / 16
"""What a smaller curvature adds is taken in proportion: it is of first order in it."""
_LITTLE: Final = 0.02
"""Relative step of the numerical derivative by width."""
_LITTLE_PHASE: Final = 0.01
"""Below it Bessel functions of higher order cannot be had from those of lower (Abramowitz and Stegun
9.1.27; from memory)."""
HARMONIC_POINTS: Final = 2 * round(REACH / HARMONIC_STEP) + 1


@cache
def harmonic_tables() -> Array:
    """Return what curvature adds, (curvatures, 2, points, 1 + 2 EVEN_COUNT); computed once in a process.

    The second axis is the harmonic, 2 and 4; points run over ``u = -REACH ... REACH`` in HARMONIC_STEP. The
    last axis holds what widening the mean profile and each shape adds, then what each shape itself adds.
    """
    shapes = edge_shapes()
    even = shapes.transfer[: 1 + EVEN_COUNT]
    widened = shapes.frequency * np.gradient(even, shapes.frequency, axis=1)
    rows = np.vstack([widened, even[1:]])
    place = np.linspace(-REACH, REACH, HARMONIC_POINTS)
    tables = np.zeros((len(CURVATURES), 2, HARMONIC_POINTS, len(rows)))
    for index, curvature in enumerate(CURVATURES):
        if curvature >= _LEAST_CURVATURE:
            # beyond its middle a disc is not looked at
            within = np.maximum(place, -1 / curvature)
            tables[index] = _added_by_harmonics(1 / curvature, within, shapes.frequency, rows)
            more, less = (
                added_by_curvature(np.exp(-sign * _LITTLE) / curvature, within, shapes.frequency, even)
                for sign in (1, -1)
            )
            tables[index, :, :, : 1 + EVEN_COUNT] += (more - less) / (2 * _LITTLE)
    for index, curvature in enumerate(CURVATURES):
        if curvature < _LEAST_CURVATURE:
            tables[index] = curvature / _LEAST_CURVATURE * tables[CURVATURES.index(_LEAST_CURVATURE)]
    return tables


def _added_by_harmonics(radius: float, place: Array, frequency: Array, transfer: Array) -> Array:
    """Return the light of a disc under what turns two and four times less that under the same as if round.

    The shape is (2, places, rows).
    """
    fine, weight = sample_transfer(2 * radius + REACH, frequency, transfer, np.zeros(len(transfer)))
    disc = -2 * np.pi * radius * j1(2 * np.pi * radius * fine) * (fine[1] - fine[0])
    phase = np.maximum(2 * np.pi * (radius + place)[:, None] * fine, _LITTLE_PHASE)
    zero, one = j0(phase), j1(phase)
    two = 2 * one / phase - zero
    four = 6 * (4 * two / phase - one) / phase - two
    return np.stack([((-two - zero) * disc) @ weight, ((four - zero) * disc) @ weight])


@compiled
def add_harmonics(
    tables: Array, curvatures: Array, curvature: float, value: Array, factor: Array, added: Array
) -> None:
    """Fill `added`, (DIRECTIONS, HARMONIC_POINTS), for an edge bent so much and a blur of `value`."""
    k, t = find_curvature(curvatures, curvature)
    amount = np.zeros((2, 1 + 2 * EVEN_COUNT))
    added[:] = 0.0
    for four in range(2):
        first = WIDTH_C2 + 2 * four
        for askew in range(2):
            wider = value[first + askew] / (2 * value[WIDTH])
            amount[askew, 0] = wider
            for j in range(EVEN_COUNT):
                amount[askew, 1 + j] = wider * value[EVEN_0 + j]
                amount[askew, 1 + EVEN_COUNT + j] = 0.0 if askew else value[EVEN_2 + four * EVEN_COUNT + j]
        for i in range(HARMONIC_POINTS):
            along, across = 0.0, 0.0
            for j in range(1 + 2 * EVEN_COUNT):
                light = (1 - t) * tables[k, four, i, j] + t * tables[k + 1, four, i, j]
                along += amount[0, j] * light
                across += amount[1, j] * light
            for direction in range(DIRECTIONS):
                added[direction, i] += along * factor[direction, first] + across * factor[direction, first + 1]
