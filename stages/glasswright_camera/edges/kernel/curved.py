"""Edge shapes of a disc: those of a straight edge, corrected for curvature.

The edge profile of a disc differs from that of a straight edge, most of all in slow tails, because the blur also
spreads light along the edge. A disc of radius R (in units of 1/MTF50) blurred by a transfer function T(f) has, at the
distance u outside its edge, the light

    1 - 2 pi R int J1(2 pi R f) J0(2 pi (R + u) f) T(f) df,

which is linear in T, so each shape can be corrected by itself. (Hankel transform of a disc; Bracewell, The Fourier
Transform and Its Applications; from memory.)

The tails of the neighbouring discs, averaged over direction, remove light as well: the integrand of each has another
factor ``J0(2 pi D f)``, D its distance. For a disc of two or three blurs an error of a thousandth of the light changes
the fitted width.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import j0, j1

from glasswright_camera.compiled import part
from glasswright_camera.edges.kernel.shapes import EVEN_COUNT, REACH, SECOND_DERIVATIVE, edge_shapes, sine_profile

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

CURVATURES: Final = (0.0, 1 / 32, 1 / 16, 1 / 8, 1 / 4, 3 / 8, 1 / 2, 3 / 4, 1.0)
"""1/MTF50 over the radius for which there are tables; between them the tables are interpolated, beyond the last it is
used."""
NEIGHBOURS: Final = ((4, 1.0), (4, 2**0.5))
"""(Count, distance in pitches) of the neighbouring discs of a square lattice; those farther away only add a
constant."""
NEAR: Final = 1 / 8
"""Curvature from which on neighbours are modelled: below it the nearest lies beyond the fitted range."""
_STEP: Final = 0.04
"""Grid of the correction for curvature, in 1/MTF50: a fifth of a Gaussian's sigma."""
_LAST_FREQUENCY: Final = 8.0
"""In MTF50. Beyond it the family's transfer functions are below 1e-3."""


@cache
def curved_tables(pitch: float | None = None) -> Array:
    """Return the shapes' tables for each of CURVATURES: (curvatures, points, shapes); computed once in a process.

    Parameters
    ----------
    pitch
        Pitch of the discs' square lattice, over their radius; None where a disc is alone.
    """
    shapes = edge_shapes()
    straight = shapes.table
    place = np.linspace(-REACH, REACH, len(straight))
    coarse = np.linspace(-REACH, REACH, 2 * round(REACH / _STEP) + 1)
    tables = np.tile(straight, (len(CURVATURES), 1, 1))
    for index, curvature in enumerate(CURVATURES):
        if curvature > 0:
            # the correction is smooth: a coarse grid is enough
            added = added_by_curvature(1 / curvature, coarse, shapes.frequency, shapes.transfer[: 1 + EVEN_COUNT])
            if pitch is not None and curvature >= NEAR:
                # the formula holds up to the middle between two discs
                near = np.minimum(coarse, (pitch / 2 - 1) / curvature)
                added -= _removed_by_neighbours(
                    1 / curvature, pitch / curvature, near, shapes.frequency, shapes.transfer[: 1 + EVEN_COUNT]
                )
            tables[index, :, : 1 + EVEN_COUNT] += CubicSpline(coarse, added)(place)
            odd = _added_to_odd(1 / curvature, coarse, shapes.frequency, shapes.transfer[1 + EVEN_COUNT :])
            tables[index, :, 1 + EVEN_COUNT : SECOND_DERIVATIVE] += CubicSpline(coarse, odd)(place)
    return tables


def curved_profiles(curvature: float, pitch: float | None, place: Array) -> Array:
    """Return the mean profile and the even shapes of an edge of one curvature: (places, 1 + EVEN_COUNT).

    `pitch` is that of `curved_tables`.
    """
    shapes = edge_shapes()
    even = shapes.transfer[: 1 + EVEN_COUNT]
    light = sine_profile(even, place).T
    light[:, 0] += 0.5
    if curvature > 0:
        light += added_by_curvature(1 / curvature, place, shapes.frequency, even)
        if pitch is not None:
            near = np.minimum(place, (pitch / 2 - 1) / curvature)
            light -= _removed_by_neighbours(1 / curvature, pitch / curvature, near, shapes.frequency, even)
    return light


def added_by_curvature(radius: float, place: Array, frequency: Array, transfer: Array) -> Array:
    """Return the light about a disc's edge less that about a straight edge: (places, shapes)."""
    level = np.zeros(len(transfer))
    level[0] = 1.0
    fine, weight = sample_transfer(2 * radius + REACH, frequency, transfer, level)
    step = fine[1] - fine[0]
    disc = 2 * np.pi * radius * j1(2 * np.pi * radius * fine)
    away = np.abs(radius + place)
    curved = j0(2 * np.pi * away[:, None] * fine) * (-disc * step)
    line = np.sin(2 * np.pi * place[:, None] * fine) * (step / (np.pi * fine))
    # the midpoint rule's error at zero frequency, where the integrand starts with a slope (Euler and Maclaurin)
    level[0] = 0.5 + (np.pi * radius * step) ** 2 / 12
    return np.asarray((curved - line) @ weight + level)


def _added_to_odd(radius: float, place: Array, frequency: Array, transfer: Array) -> Array:
    """Return the same for the odd shapes, which vary as the cosine of the direction: (places, shapes)."""
    fine, weight = sample_transfer(2 * radius + REACH, frequency, transfer, np.zeros(len(transfer)))
    step = fine[1] - fine[0]
    disc = 2 * np.pi * radius * j1(2 * np.pi * radius * fine)
    curved = j1(2 * np.pi * (radius + place)[:, None] * fine) * (disc * step)
    line = np.cos(2 * np.pi * place[:, None] * fine) * (step / (np.pi * fine))
    return np.asarray((curved - line) @ weight)


def _removed_by_neighbours(radius: float, pitch: float, place: Array, frequency: Array, transfer: Array) -> Array:
    """Return the light that the neighbouring discs remove, averaged over direction: (places, shapes)."""
    farthest = max(far for _, far in NEIGHBOURS) * pitch
    level = np.zeros(len(transfer))
    level[0] = 1.0
    fine, weight = sample_transfer(2 * radius + farthest + REACH, frequency, transfer, level)
    step = fine[1] - fine[0]
    discs = sum(count * j0(2 * np.pi * far * pitch * fine) for count, far in NEIGHBOURS)
    disc = 2 * np.pi * radius * j1(2 * np.pi * radius * fine) * discs
    level[0] = -sum(count for count, _ in NEIGHBOURS) * (np.pi * radius * step) ** 2 / 12
    return np.asarray((j0(2 * np.pi * np.abs(radius + place)[:, None] * fine) * (disc * step)) @ weight + level)


def sample_transfer(reach: float, frequency: Array, transfer: Array, at_zero: Array) -> tuple[Array, Array]:
    """Return frequencies finer than a `reach` needs, and the transfer functions there, (frequencies, shapes).

    A wave of period `reach` gets eight samples. `transfer` is (shapes, frequencies), `at_zero` its value at zero
    frequency, (shapes,).
    """
    step = min(0.02, 1 / (8 * reach))
    fine = np.arange(step / 2, _LAST_FREQUENCY, step)
    known = np.append(0.0, frequency)
    rows = [np.interp(fine, known, np.append(z, row)) for z, row in zip(at_zero, transfer, strict=True)]
    return fine, np.stack(rows).T


@part
def find_curvature(curvatures: Array, curvature: float) -> tuple[int, float]:
    """Return the index of the table below a curvature, and the weight, 0 to 1, of the table above it."""
    k = 0
    while k < len(curvatures) - 2 and curvatures[k + 1] < curvature:
        k += 1
    return k, min(max((curvature - curvatures[k]) / (curvatures[k + 1] - curvatures[k]), 0.0), 1.0)


@part
def interpolate_table(tables: Array, curvatures: Array, curvature: float, table: Array) -> None:
    """Fill `table` with the shapes of an edge of one curvature, interpolated between the nearest two of `tables`."""
    k, t = find_curvature(curvatures, curvature)
    for i in range(table.shape[0]):
        for j in range(table.shape[1]):
            table[i, j] = (1 - t) * tables[k, i, j] + t * tables[k + 1, i, j]
