"""Outliers among the flats of one setting."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

"""Standard deviation of normal data over their median absolute deviation."""
FAR: Final = 3.5
"""Robust standard deviations (Iglewicz and Hoaglin 1993)."""
LEVEL_FLOOR: Final = 0.05
"""Least relative difference of level that makes a shot odd: lamp and shutter vary by 1 or 2 % between shots."""
SHAPE_FLOOR: Final = 0.01
"""The same of the light's shape, rms over the frame. Chosen."""


def find_odd_flats(
    lights: Sequence[NDArray[np.float32]], exposure_times_s: Sequence[float | None]
) -> Mapping[int, str]:
    """Return the members whose level, or whose shape relative to their level, is an outlier: index -> reason.

    Parameters
    ----------
    lights
        (planes, rows, columns) of each member.
    exposure_times_s
        Of each member; levels are corrected for it where all are known.
    """
    shapes = {light.shape for light in lights}
    if len(shapes) > 1:
        return {}  # different sizes are refused elsewhere
    levels = np.array([float(np.nanmedian(light)) for light in lights])
    if all(exposure_times_s):
        levels = levels / np.array(exposure_times_s, dtype=np.float64)
    centre = float(np.median(levels))
    level_off = levels / centre - 1
    shape_off = shape_differences(lights)
    odd = {}
    for index in range(len(lights)):
        if shape_off[index] > np.median(shape_off) + limit_of(shape_off, SHAPE_FLOOR):
            odd[index] = f"its light is spread differently over the frame (by {100 * shape_off[index]:.1f} % rms)"
        elif abs(level_off[index]) > limit_of(level_off, LEVEL_FLOOR):
            odd[index] = f"its light is {100 * level_off[index]:+.1f} % from the other shots' median"
    return odd


def limit_of(offsets: NDArray[np.float64], floor: float) -> float:
    """Return the largest allowed deviation from the median."""
    spread = robust_sigma(offsets)
    return max(FAR * spread, floor)


def shape_differences(lights: Sequence[NDArray[np.float32]]) -> NDArray[np.float64]:
    """Return the rms difference of each member from the median member, relative to each plane's level."""
    stack = np.array([light / np.nanmedian(light, axis=(1, 2), keepdims=True) for light in lights], dtype=np.float64)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # blocks that no member could measure are all NaN
        typical = np.nanmedian(stack, axis=0)
        return np.asarray(np.sqrt(np.nanmean((stack / typical - 1) ** 2, axis=(1, 2, 3))))
