"""Correction for curvature of an edge whose blur depends on direction.

Such a blur spreads light along a curved edge by another amount than across it. A disc of radius R (in units of 1/MTF50)
under a transfer function ``T_m(f) cos(m phi)``, m even, has at the distance u outside its edge the light

    -2 pi R (-1)^(m/2) int J1(2 pi R f) Jm(2 pi (R + u) f) T_m(f) df cos(m theta)

(Hankel transform of order m; Bracewell, The Fourier Transform and Its Applications; from memory); round blur has J0
instead. In addition, the relative curvature is larger in directions of wider blur. The correction is, to first order,
``m^2 / (4 pi R f)`` of the amplitude at each frequency: a small part of the light, but as large as the even shapes of
astigmatism. It is linear in the angular terms of widths and shapes, and computed once, from a fit's initial values.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import j0, j1

from glasswright_camera.compiled import part
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
"""Below it the correction is proportional to the curvature."""
_LITTLE: Final = 0.02
"""Relative step of the numerical derivative by width."""
_LITTLE_PHASE: Final = 0.01
"""Smallest phase at which the recurrence of Bessel functions is used (Abramowitz and Stegun 9.1.27; from memory)."""
HARMONIC_POINTS: Final = 2 * round(REACH / HARMONIC_STEP) + 1
"""From -REACH to REACH."""


@cache
def harmonic_tables() -> Array:
    """Return the corrections, (curvatures, 2, points, 1 + 2 EVEN_COUNT); computed once in a process.

    The second axis is the harmonic, 2 and 4; points run over ``u = -REACH ... REACH`` in HARMONIC_STEP. The last axis
    holds the corrections for a width term in the mean profile and in each shape, then for a term of each shape.
    """
    shapes = edge_shapes()
    even = shapes.transfer[: 1 + EVEN_COUNT]
    widened = shapes.frequency * np.gradient(even, shapes.frequency, axis=1)
    rows = np.vstack([widened, even[1:]])
    place = np.linspace(-REACH, REACH, HARMONIC_POINTS)
    tables = np.zeros((len(CURVATURES), 2, HARMONIC_POINTS, len(rows)))
    for index, curvature in enumerate(CURVATURES):
        if curvature >= _LEAST_CURVATURE:
            # no farther in than the disc's middle
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
    """Return the light of a disc under harmonics 2 and 4 of transfer functions, less that under the same if round.

    The shape is (2, places, rows).
    """
    fine, weight = sample_transfer(2 * radius + REACH, frequency, transfer, np.zeros(len(transfer)))
    disc = -2 * np.pi * radius * j1(2 * np.pi * radius * fine) * (fine[1] - fine[0])
    phase = np.maximum(2 * np.pi * (radius + place)[:, None] * fine, _LITTLE_PHASE)
    zero, one = j0(phase), j1(phase)
    two = 2 * one / phase - zero
    four = 6 * (4 * two / phase - one) / phase - two
    return np.stack([((-two - zero) * disc) @ weight, ((four - zero) * disc) @ weight])


@part
def add_harmonics(
    tables: Array, curvatures: Array, curvature: float, value: Array, factor: Array, added: Array
) -> None:
    """Fill `added`, (DIRECTIONS, HARMONIC_POINTS): the correction for one curvature and the blur of `value`."""
    k, t = find_curvature(curvatures, curvature)
    amount = np.zeros((2, 1 + 2 * EVEN_COUNT))
    added[:] = 0.0
    for harmonic in range(2):
        first = WIDTH_C2 + 2 * harmonic
        for sine in range(2):
            wider = value[first + sine] / (2 * value[WIDTH])
            amount[sine, 0] = wider
            for j in range(EVEN_COUNT):
                amount[sine, 1 + j] = wider * value[EVEN_0 + j]
                amount[sine, 1 + EVEN_COUNT + j] = 0.0 if sine else value[EVEN_2 + harmonic * EVEN_COUNT + j]
        for i in range(HARMONIC_POINTS):
            along, across = 0.0, 0.0
            for j in range(1 + 2 * EVEN_COUNT):
                light = (1 - t) * tables[k, harmonic, i, j] + t * tables[k + 1, harmonic, i, j]
                along += amount[0, j] * light
                across += amount[1, j] * light
            for direction in range(DIRECTIONS):
                added[direction, i] += along * factor[direction, first] + across * factor[direction, first + 1]
