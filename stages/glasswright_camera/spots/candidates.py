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
BORDER: Final = len(WIDE_WEIGHTS) - 1
"""Cells at the border whose noise is that of repeated cells."""
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
        _even_border_noise(band)
        bands.append(Band(values=band, noise=measure_noise(band, middle=0.0), level=len(bands)))
        residual, surface = mean_cells(residual, 2), mean_cells(surface, 2)
    return bands


def _even_border_noise(band: Array32) -> None:
    """Scale the outermost cells of a band to the noise of those inside.

    `pick_band` repeats the outermost cells beyond the border, so they have more weight there, and more noise.
    """
    down, along = (_sum_products(count) for count in band.shape)
    rows, columns = band.shape
    inside = _gain(down[rows // 2 : rows // 2 + 1], along[columns // 2 : columns // 2 + 1])
    top, bottom = min(BORDER, rows // 2), max(rows - BORDER, rows // 2)
    left, right = min(BORDER, columns // 2), max(columns - BORDER, columns // 2)
    for y in (slice(0, top), slice(bottom, rows)):
        band[y] *= inside / _gain(down[y], along)
    for x in (slice(0, left), slice(right, columns)):
        band[top:bottom, x] *= inside / _gain(down[top:bottom], along[x])


def _sum_products(count: int) -> Array:
    """Return the noise gains of the two blurs along an axis of `count` cells: (count, 3).

    They are the sums of squared weights of the wide and of the narrow blur, and of the products of both. Weights of
    cells beyond the border count for the outermost one.
    """
    few = min(count, 2 * BORDER + 1)
    place, blurs = np.arange(few), []
    for weights in (WIDE_WEIGHTS, NARROW_WEIGHTS):
        blur = np.zeros((few, few))
        for k in range(1 - len(weights), len(weights)):
            np.add.at(blur, (place, np.clip(place + k, 0, few - 1)), weights[abs(k)])
        blurs.append(blur)
    wide, narrow = blurs
    sums = np.stack([wide * wide, narrow * narrow, wide * narrow], axis=2).sum(axis=1)
    return np.insert(sums, [few // 2] * (count - few), sums[few // 2], axis=0)


def _gain(down: Array, along: Array) -> Array32:
    """Return the noise of the difference of the blurs, over that of a cell: (rows, columns)."""
    return np.sqrt((down * (1, 1, -2)) @ along.T).astype(np.float32)


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
