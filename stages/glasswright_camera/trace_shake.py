"""Blur in one direction, the same all over the frame: the stand or the camera moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


def refuse_shake(blur_direction: Array, limit_ratio: float, shot: str) -> None:
    """Refuse a frame whose discs are all blurred more in one direction of the sensor.

    A lens's own astigmatism turns with the image radius and cancels over the field; a movement does not. It is called
    a shake where the median over the discs passes the limit and nine discs in ten lean the same way.

    Parameters
    ----------
    blur_direction
        (planes, discs, 2): see `Trace`.
    limit_ratio
        Largest ratio of the blur's widths in two directions.
    shot
        The shot's name.

    Raises
    ------
    Unmeasurable
        With the ratio and the direction.
    """
    lean = np.nanmean(blur_direction, axis=0)
    lean = lean[np.isfinite(lean).all(axis=1)]
    common = np.median(lean, axis=0)
    size = min(float(np.hypot(*common)), 0.98)
    ratio = np.sqrt((1 + size) / (1 - size))
    alike = float(np.mean(lean @ common > 0)) if size > 0 else 0.0
    if ratio > limit_ratio and alike >= 0.9:
        angle = np.degrees(np.arctan2(common[1], common[0])) / 2 % 180
        raise Unmeasurable(
            f"{shot}: all discs are blurred {ratio:.2f} times wider along {angle:.0f} degrees than across it "
            f"(limit {limit_ratio:g}): the stand or the camera moved; shoot again"
        )
