"""Blur in one direction, the same all over the frame: the stand or the camera moved, or the lens has coma."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_against

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ALIKE: Final = 0.4
"""A movement blurs all discs alike: their scatter about the common blur is below this share of it.
Measured: 0.03 to 0.04 in shaken frames of 2 megapixels, 0.9 and more in frames that were not shaken."""
COMATIC: Final = 0.15
"""A movement blurs evenly to both sides. A lopsidedness common to all discs above this is the lens's coma.
Measured: up to 0.004 in shaken frames, 0.045 with the coma of a healthy lens, 0.17 to 0.36 with a decentred element."""

LEAST_JUDGED: Final = 0.3
"""Share of the discs by which a plane is judged."""
SHAKEN_ROLES: Final = frozenset({"shake_off", "shake_on"})
"""Shots on the shaker: that they are blurred in one direction is what they are for."""


def refuse_shake(blur_direction: Array, mtf50: Array, lopsided: Array, limit_ratio: float) -> None:
    """Refuse a frame whose discs are all blurred more in one direction of the sensor, alike and to both sides.

    A lens's own astigmatism turns with the image radius and cancels over the field. The coma of a decentred element
    does not, but it is lopsided, which a movement is not. Where that was not measured (discs fitted as a whole) nothing
    is refused; nor by a plane in which few discs were measured.

    Parameters
    ----------
    blur_direction, lopsided
        (planes, discs, 2): see `Trace`.
    mtf50
        (planes, discs, 2).
    limit_ratio
        Largest ratio of the blur's widths in two directions.

    Raises
    ------
    Unmeasurable
        With the ratio and the direction.
    """
    seen = np.asarray(np.isfinite(mtf50).all(axis=2) & np.isfinite(lopsided).all(axis=2))
    judged = seen.mean(axis=1) >= LEAST_JUDGED
    if not judged.any():
        return
    blur_direction, mtf50, lopsided = blur_direction[judged], mtf50[judged], lopsided[judged]
    good = seen[judged].all(axis=0)
    if not good.any():
        return
    blur = (1 / mtf50[:, good] ** 2).mean(axis=(0, 2))
    lean = blur_direction[:, good].mean(axis=0) * blur[:, None]
    common = np.median(lean, axis=0)
    scatter = float(np.median(np.linalg.norm(lean - common, axis=1)))
    size = float(np.hypot(*common))
    share = min(size / float(np.median(blur)), 0.98)
    ratio = np.sqrt((1 + share) / (1 - share))
    coma = float(np.hypot(*np.median(lopsided[:, good].mean(axis=0), axis=0)))
    if ratio > limit_ratio and scatter < ALIKE * size and coma < COMATIC:
        angle = np.degrees(np.arctan2(common[1], common[0])) / 2 % 180
        raise Unmeasurable(
            f"all discs are blurred {format_against(ratio, limit_ratio, '.2f')} times wider along {angle:.0f} degrees "
            f"than across it (limit {limit_ratio:g}): the stand or the camera moved; shoot again"
        )
