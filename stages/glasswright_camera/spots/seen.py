"""Finds dark spots of any size on an even field."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import find_objects, gaussian_filter, label

from glasswright_camera.surface import LEAST_SIDE, STANDARD_OF_MAD, fit_surface

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Array32 = NDArray[np.float32]

NARROW, WIDE = 1.2, 3.6
"""Standard deviations of the two blurs whose difference shows spots of about six cells."""
CLEAR: Final = 6.0
"""Standard deviations of the noise that a spot's peak must have."""
SKIRT: Final = 3.5
"""Standard deviations down to which cells belong to the spot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A candidate: where it was seen, at which level of the pyramid, how clearly; cells of level 0."""

    place: Array
    """x and y."""
    spread: Array
    """(2, 2): covariance of its cells' places."""
    level: int
    clearness: float


def even_out(light: Array32) -> tuple[Array32, Array32]:
    """Give light over a smooth surface, less 1, and the surface over its median.

    Single cells below all their neighbours (dead pixels) and bright ones (hot pixels) are taken out.
    """
    surface = fit_surface(light)
    residual = light / surface - 1
    # what is one cell wide vanishes, what is two wide stays
    residual = np.maximum(residual, lowest_neighbour(residual))
    noise = STANDARD_OF_MAD * float(np.median(np.abs(residual - np.median(residual))))
    return np.minimum(residual, 4 * noise).astype(np.float32), (surface / np.median(surface)).astype(np.float32)


def lowest_neighbour(frame: Array32) -> Array32:
    """Give the lowest of the eight cells about each."""
    padded = np.pad(frame, 1, mode="edge")
    rows, columns = frame.shape
    lowest = np.full_like(frame, np.inf)
    for dy, dx in ((0, 0), (0, 1), (0, 2), (1, 0), (1, 2), (2, 0), (2, 1), (2, 2)):
        np.minimum(lowest, padded[dy : dy + rows, dx : dx + columns], out=lowest)
    return lowest


def halve(frame: Array32) -> Array32:
    """Average 2 x 2 cells into one."""
    rows, columns = frame.shape[0] // 2, frame.shape[1] // 2
    return np.asarray(frame[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2).mean(axis=(1, 3)))


def see_spots(residual: Array32, surface: Array32) -> list[Seen]:
    """Give candidates at all sizes, clearest first; a thing may be seen at several levels."""
    found: list[Seen] = []
    level = 0
    while min(residual.shape) >= LEAST_SIDE:
        found += _see_level(residual, surface, level)
        residual, surface, level = halve(residual), halve(surface), level + 1
    return sorted(found, key=lambda each: -each.clearness)


def find_faintest(residual: Array32, surface: Array32, width: float) -> float:
    """Give the depth from which a round shadow so many cells wide stands out, in the frame's middle.

    In a band of sizes the middle of a disc of radius R answers with ``exp(-R^2 / 2 wide^2) - exp(-R^2 / 2 narrow^2)``
    of its depth; at the level where that is clearest it is seen.
    """
    faintest, radius = np.inf, width / 2
    while min(residual.shape) >= LEAST_SIDE:
        _, noise = _pick_band(residual, surface)
        answer = np.exp(-(radius**2) / (2 * WIDE**2)) - np.exp(-(radius**2) / (2 * NARROW**2))
        faintest = min(faintest, CLEAR * noise / max(answer, 1e-9))
        residual, surface, radius = halve(residual), halve(surface), radius / 2
    return float(faintest)


def _pick_band(residual: Array32, surface: Array32) -> tuple[Array32, float]:
    """Pick a band of sizes, evened to the noise in the middle; give it and that noise."""
    band = gaussian_filter(residual, WIDE, mode="nearest") - gaussian_filter(residual, NARROW, mode="nearest")
    band *= np.sqrt(np.maximum(surface, 0))
    return band, STANDARD_OF_MAD * float(np.median(np.abs(band)))


def _see_level(residual: Array32, surface: Array32, level: int) -> list[Seen]:
    """Label what stands out of the noise after a band of sizes is picked; noise grows where light falls off."""
    band, noise = _pick_band(residual, surface)
    if noise == 0:
        return []
    clear = band / noise
    parts, _ = label(clear > SKIRT)
    found = []
    for index, box in enumerate(find_objects(parts), start=1):
        weight = np.where(parts[box] == index, clear[box], 0)
        if weight.max() < CLEAR:
            continue
        y, x = np.mgrid[box]
        total = weight.sum()
        middle = np.array([(x * weight).sum(), (y * weight).sum()]) / total
        dx, dy = x - middle[0], y - middle[1]
        mixed = (dx * dy * weight).sum()
        spread = np.array([[(dx * dx * weight).sum(), mixed], [mixed, (dy * dy * weight).sum()]]) / total
        scale = 2**level
        found.append(
            Seen(
                place=(middle + 0.5) * scale - 0.5,
                spread=(spread + np.eye(2) / 12) * scale**2,
                level=level,
                clearness=float(weight.max()),
            )
        )
    return found


def covers(seen: Seen, place: Array, reach: float = 2.5) -> bool:
    """Say whether a place lies within a candidate's ellipse, so many standard deviations out."""
    offset = place - seen.place
    return bool(offset @ np.linalg.solve(seen.spread, offset) < reach**2)
