"""Refuse shots blurred by movement: all discs are blurred more in one direction, equally to both sides."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable, format_against

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

ALIKE: Final = 0.4
"""Most scatter of the discs about their common directional blur, as a share of it: a movement blurs all discs alike.

Measured: 0.03 to 0.04 in shaken frames of 2 megapixels, 0.9 and more in frames that were not shaken."""
COMATIC: Final = 0.15
"""Asymmetry common to all discs above which the blur is the lens's coma, not movement, which is symmetric.
Measured: up to 0.004 in shaken frames, 0.045 with the coma of a healthy lens, 0.17 to 0.36 with a decentred element."""

LEAST_JUDGED: Final = 0.3
"""Share of the discs that must be measured in a plane for it to be judged."""


def refuse_shake(blur_direction: Array, mtf50: Array, asymmetry: Array, limit_ratio: float) -> None:
    """Refuse a frame whose discs are all blurred alike, more in one direction of the sensor, equally to both sides.

    A lens's own astigmatism turns with the image radius and cancels over the field. The coma of a decentred element
    does not cancel, but it is asymmetric, which movement is not. Discs without a measured asymmetry (fitted as a whole)
    and planes with few measured discs are not judged.

    Parameters
    ----------
    blur_direction, asymmetry
        (planes, discs, 2): see `Trace`.
    mtf50
        (planes, discs, 2).
    limit_ratio
        Largest allowed ratio of the blur's widths along and across the common direction.

    Raises
    ------
    Unmeasurable
        Names the ratio and the direction.
    """
    seen = np.asarray(np.isfinite(mtf50).all(axis=2) & np.isfinite(asymmetry).all(axis=2))
    judged = seen.mean(axis=1) >= LEAST_JUDGED
    if not judged.any():
        return
    blur_direction, mtf50, asymmetry = blur_direction[judged], mtf50[judged], asymmetry[judged]
    good = seen[judged].all(axis=0)
    if not good.any():
        return
    blur = (1 / mtf50[:, good] ** 2).mean(axis=(0, 2))
    elongation = blur_direction[:, good].mean(axis=0) * blur[:, None]
    common = np.median(elongation, axis=0)
    scatter = float(np.median(np.linalg.norm(elongation - common, axis=1)))
    size = float(np.hypot(*common))
    share = min(size / float(np.median(blur)), 0.98)
    ratio = np.sqrt((1 + share) / (1 - share))
    coma = float(np.hypot(*np.median(asymmetry[:, good].mean(axis=0), axis=0)))
    if ratio > limit_ratio and scatter < ALIKE * size and coma < COMATIC:
        angle = np.degrees(np.arctan2(common[1], common[0])) / 2 % 180
        raise Unmeasurable(
            f"all discs are blurred {format_against(ratio, limit_ratio, '.2f')} times wider along {angle:.0f} degrees "
            f"than across it (limit {limit_ratio:g}): the stand or the camera moved; shoot again"
        )
