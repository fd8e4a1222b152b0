"""The Cramér-Rao bound for the pixels used, if the edge's profile were known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from glasswright_camera.edges.kernel.shapes import FITTED_REACH
from support.edge_images import BAYER, COLOURS, Sheet, Transfer, disc_spectrum, place_disc


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """Standard deviations for noise equal to the edge's step; they scale with the noise."""

    scale: np.ndarray
    """(planes, sagittal / tangential): relative, of a change of the blur's scale, from the pixels of that sector (the
    two quarter turns about its direction); levels and centre are free."""
    centre: np.ndarray
    """(planes,): of the disc's centre on an axis, px, from all pixels; levels and scale are free."""


def fisher_bound(transfer: Transfer, sheet: Sheet, angle: float, mtf50: float) -> Bound:
    """Differentiate one exact tile by scale, levels and centre, at the pixels that the kernel uses."""
    size = round(sheet.clear + 2 * sheet.radius + 8.0)
    place = (size / 2 + 0.3, size / 2 - 0.2)
    plain = disc_spectrum(size, sheet.radius, transfer)
    h = 0.005
    wide, narrow = (disc_spectrum(size, sheet.radius, transfer, stretch=1 + sign * h) for sign in (1, -1))
    columns = [
        (place_disc(wide, size, place) - place_disc(narrow, size, place)) / (2 * h),
        np.ones((size, size)),
        place_disc(plain, size, place),
        *(
            (
                place_disc(plain, size, (place[0] + dx, place[1] + dy))
                - place_disc(plain, size, (place[0] - dx, place[1] - dy))
            )
            / 0.1
            for dx, dy in ((0.05, 0.0), (0.0, 0.05))
        ),
    ]
    y, x = np.mgrid[:size, :size]
    dx, dy = x - place[0], y - place[1]
    away = np.hypot(dx, dy) - sheet.radius
    reach = FITTED_REACH / mtf50
    ring = (away > -min(reach, 0.85 * sheet.radius)) & (away < min(reach, sheet.clear - 1))
    tangential = np.cos(2 * (np.arctan2(dy, dx) - angle)) > 0
    scale, centre = np.empty((len(COLOURS), 2)), np.empty(len(COLOURS))
    for plane in range(len(COLOURS)):
        own = ring & (BAYER[0, y % 2, x % 2] == plane)
        for side, sector in enumerate((~tangential, tangential)):
            scale[plane, side] = _spread(columns, own & sector)[0]
        centre[plane] = np.sqrt((_spread(columns, own)[3:] ** 2).mean())
    return Bound(scale=scale, centre=centre)


def _spread(columns: list[np.ndarray], pixels: np.ndarray) -> np.ndarray:
    basis = np.column_stack([column[pixels] for column in columns])
    return np.sqrt(np.diag(np.linalg.inv(basis.T @ basis)))
