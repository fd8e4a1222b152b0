"""Detection of dark spots of any size on an even field."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import find_objects, label

from glasswright_camera.cells import SAMPLE, fill_lone, mean_cells, measure_noise, pick_band, weigh_blur
from glasswright_camera.surface import LEAST_SIDE, fit_surface

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Array32 = NDArray[np.float32]

NARROW, WIDE = 1.2, 3.6
"""Standard deviations of the two blurs, in cells; their difference responds to spots of about six cells."""
NARROW_WEIGHTS, WIDE_WEIGHTS = weigh_blur(NARROW), weigh_blur(WIDE)
CLEAR: Final = 6.0
"""Least peak of a spot, in standard deviations of the noise."""
SKIRT: Final = 3.5
"""The same for the cells that belong to a spot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A candidate for a spot: place, level of the pyramid, signal-to-noise ratio; in cells of level 0."""

    place: Array
    """x and y."""
    spread: Array
    """(2, 2): covariance of its cells' places."""
    level: int
    clearness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A frame filtered to one band of sizes."""

    values: Array32
    """Difference of two blurs, scaled to the noise in the frame's middle."""
    noise: float
    level: int
    """Level of the pyramid: a cell is ``2 ** level`` cells of level 0 wide."""


def even_out(light: Array32) -> tuple[Array32, Array32]:
    """Return light over a smooth surface, less 1, and the surface over its median.

    Single cells below all their neighbours (dead pixels) and bright ones (hot pixels) are removed.
    """
    surface = fit_surface(light)
    # removes spots one cell wide, keeps those two wide
    residual = fill_lone(light / surface - np.float32(1))
    np.minimum(residual, np.float32(4 * measure_noise(residual)), out=residual)
    surface /= np.float32(np.median(surface.ravel()[:: max(1, surface.size // SAMPLE)]))
    return residual, surface


def split_bands(residual: Array32, surface: Array32) -> list[Band]:
    """Return the bands of sizes of an evened frame, finest first."""
    bands: list[Band] = []
    while min(residual.shape) >= LEAST_SIDE:
        band = pick_band(residual, WIDE_WEIGHTS, NARROW_WEIGHTS)
        band *= np.sqrt(np.maximum(surface, 0))
        bands.append(Band(values=band, noise=measure_noise(band, middle=0.0), level=len(bands)))
        residual, surface = mean_cells(residual, 2), mean_cells(surface, 2)
    return bands


def find_candidates(bands: list[Band]) -> list[Candidate]:
    """Return candidates at all sizes, clearest first; a spot may appear at several levels."""
    return sorted((seen for band in bands for seen in _find_in_band(band)), key=lambda each: -each.clearness)


def find_faintest(bands: list[Band], width: float) -> float:
    """Return the least depth at which a round shadow `width` cells wide is detected, in the frame's middle.

    A band's response to the middle of a disc of radius R is ``exp(-R^2 / 2 wide^2) - exp(-R^2 / 2 narrow^2)`` of its
    depth; the level with the highest signal-to-noise ratio counts.
    """
    faintest = np.inf
    for band in bands:
        radius = width / 2 / 2**band.level
        answer = np.exp(-(radius**2) / (2 * WIDE**2)) - np.exp(-(radius**2) / (2 * NARROW**2))
        faintest = min(faintest, CLEAR * band.noise / max(answer, 1e-9))
    return float(faintest)


def _find_in_band(band: Band) -> list[Candidate]:
    """Return the candidates in one band."""
    if band.noise == 0 or band.values.max() < CLEAR * band.noise:
        return []
    parts, _ = label(band.values > np.float32(SKIRT * band.noise))
    found = []
    for index, box in enumerate(find_objects(parts), start=1):
        weight = np.where(parts[box] == index, band.values[box] / band.noise, 0)
        if weight.max() < CLEAR:
            continue
        y, x = np.mgrid[box]
        total = weight.sum()
        middle = np.array([(x * weight).sum(), (y * weight).sum()]) / total
        dx, dy = x - middle[0], y - middle[1]
        mixed = (dx * dy * weight).sum()
        spread = np.array([[(dx * dx * weight).sum(), mixed], [mixed, (dy * dy * weight).sum()]]) / total
        scale = 2**band.level
        found.append(
            Candidate(
                place=(middle + 0.5) * scale - 0.5,
                spread=(spread + np.eye(2) / 12) * scale**2,
                level=band.level,
                clearness=float(weight.max()),
            )
        )
    return found


def covers(candidate: Candidate, place: Array, reach: float = 2.5) -> bool:
    """Return whether a place lies within a candidate's ellipse of `reach` standard deviations."""
    offset = place - candidate.place
    return bool(offset @ np.linalg.solve(candidate.spread, offset) < reach**2)
