"""MTF50 and MTF across each straight edge of a frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.edges.kernel.curved import curved_tables
from glasswright_camera.edges.kernel.discs import MEASURED
from glasswright_camera.edges.kernel.moments import family_moments
from glasswright_camera.edges.kernel.parameters import (
    EVEN_0,
    EVEN_2,
    ODD_C1,
    ODD_C3,
    PARAMETERS,
    SHIFT_C2,
    WIDTH,
    WIDTH_C2,
)
from glasswright_camera.edges.kernel.reading import half_point, in_direction
from glasswright_camera.edges.kernel.ring import Frame
from glasswright_camera.edges.kernel.shapes import ODD_COUNT
from glasswright_camera.edges.slanted.strip import Strip, collect_strip, fit_strip

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.mosaic import Mosaic

    Array = NDArray[np.float64]

LACKING: Final = [
    *range(SHIFT_C2, WIDTH),
    *range(WIDTH_C2, EVEN_0),
    *range(EVEN_2, ODD_C1),
    *range(ODD_C3, PARAMETERS),
]
"""Parameters of a disc that a straight edge does not have: the angular terms."""

HALO_SHARE: Final = 0.8
"""Prior scale of a halo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlantedTable:
    """Measurements of straight edges: arrays over (planes, edges)."""

    mtf50: Array
    mtf50_u: Array
    shift_px: Array
    """(planes, edges, 3): shift of the edge towards the light: coefficients of 1, t and t^2 - 1/3 along it."""
    mtf: Array
    """(planes, edges, frequencies)."""
    ending: NDArray[np.int64]


def slanted_prior() -> Array:
    """Return the precision of the prior; parameters that a straight edge lacks are held at zero."""
    spread = family_moments()
    prior = np.zeros((PARAMETERS, PARAMETERS))
    prior[EVEN_0:EVEN_2, EVEN_0:EVEN_2] = np.linalg.inv(spread.round_ + HALO_SHARE * spread.halo)
    first = slice(ODD_C1, ODD_C3)
    prior[first, first] = np.linalg.inv(spread.odd[:ODD_COUNT, :ODD_COUNT])
    prior[LACKING, LACKING] = 1.0
    return prior


def trace_strips(
    mosaic: Mosaic, *, middle: Array, normal: Array, half_length_px: Array, inside_px: Array, outside_px: Array
) -> SlantedTable:
    """Fit all straight edges of a mosaic.

    Parameters
    ----------
    mosaic
        The frame.
    middle, normal
        (edges, 2): px, and unit vectors towards the light side.
    half_length_px, inside_px, outside_px
        (edges,): reach of each strip along the edge, into the dark and into the light.
    """
    planes, edges = len(mosaic.planes), len(middle)
    value = np.full((planes, edges, PARAMETERS), np.nan)
    covariance = np.full((planes, edges, PARAMETERS, PARAMETERS), np.nan)
    place = np.full((planes, edges, 3), np.nan)
    ending = np.zeros((planes, edges), dtype=np.int64)
    count = np.zeros(planes, dtype=np.int64)
    table, prior = curved_tables()[0], slanted_prior()
    frame = Frame(mosaic.values, mosaic.pattern, mosaic.black_dn, float(mosaic.white_dn))
    for edge in range(edges):
        inner, outer, half = float(inside_px[edge]), float(outside_px[edge]), float(half_length_px[edge])
        room = len(mosaic.values) * int((inner + outer + 2) * (2 * half + 2) * 1.1) + 64
        pixel = np.empty((planes, room, 3))
        strip = Strip(middle[edge], normal[edge], half, inner, outer)
        collect_strip(frame, strip, pixel, count)
        for plane in range(planes):
            own = value[plane, edge], covariance[plane, edge], place[plane, edge]
            ending[plane, edge] = fit_strip(pixel[plane, : count[plane]], strip, table, prior, *own)
    value[ending != MEASURED] = np.nan
    take = in_direction(0.0)
    take[:, LACKING] = 0.0
    mtf50, slope, curve = half_point(value @ take.T)
    spread = take @ covariance @ take.T
    u = np.sqrt(np.einsum("pdi,pdij,pdj->pd", slope, spread, slope))
    return SlantedTable(mtf50=mtf50, mtf50_u=u, shift_px=place, mtf=curve, ending=ending)
