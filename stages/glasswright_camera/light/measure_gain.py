"""The stage that measures the sensor's gain: how many electrons make white."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Artefact, Unmeasurable, stage
from glasswright_camera.light.flat import FlatShot
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST_DIFFERENCES: Final = 200
REJECT_BEYOND: Final = 5.0
"""Robust standard deviations; of normal differences one in two million lies beyond."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorGain(Artefact):
    """What a sensor makes of its electrons."""

    white_count: float
    """Electrons that make a pixel white: a smaller gain makes more of them."""
    white_count_u: float
    difference_count: int
    """Differences between block means behind it."""


@stage
def measure_gain(shots: tuple[FlatShot, ...]) -> SensorGain:
    """Measure how many electrons make white, from the noise between flats of one light.

    Electrons come one by one, so the variance of a pixel between two frames is its light over the electrons that make
    white (photon transfer; EMVA 1288, 6.6). What both frames share, the falloff, dust and uneven pixels, drops out of
    their difference, and slow changes of the light drop out of differences between neighbouring blocks. Read noise is
    left in: at half of white it adds less than a thousandth.

    Parameters
    ----------
    shots
        Two or more frames of the diffuse source at one setting; an odd one out is left over.

    Raises
    ------
    Unmeasurable
        With one frame, frames of several sizes, too few blocks, or frames without noise.
    """
    if len(shots) < 2:
        raise Unmeasurable("one flat shot shows no noise between shots: shoot two or more of each setting")
    if len({(shot.light.shape, shot.pixels_per_block) for shot in shots}) > 1:
        raise Unmeasurable("the flat shots are not of one frame size and colour pattern")
    pairs = zip(shots[::2], shots[1::2], strict=False)
    scaled = np.concatenate([differ(one, other) for one, other in pairs])
    if scaled.size < FEWEST_DIFFERENCES:
        raise Unmeasurable(f"only {scaled.size} blocks to compare, {FEWEST_DIFFERENCES} are needed: use smaller blocks")
    spread = robust_sigma(scaled, about=0.0)
    kept = scaled[np.abs(scaled) <= REJECT_BEYOND * spread]
    electron = float(np.mean(kept**2))
    if electron <= 0:
        raise Unmeasurable("the flat shots do not differ at all: they are copies of one frame")
    white = 1 / electron
    return SensorGain(
        white_count=white, white_count_u=white * float(np.sqrt(2 / kept.size)), difference_count=int(kept.size)
    )


def differ(one: FlatShot, other: FlatShot) -> Array:
    """Return the differences of neighbouring blocks between two shots, scaled so that their variance is one electron.

    (differences,), in the root of white. The last row and column of blocks, which the frame may cut, are left out.
    """
    found = []
    for plane, pixels in enumerate(one.pixels_per_block):
        first, second = (shot.light[plane, :-1, :-1].astype(np.float64) for shot in (one, other))
        level, again = np.nanmean(first), np.nanmean(second)
        light = (first / level + second / again) / 2 * (level + again) / 2
        scaled = (first / level - second / again) * (level + again) / 2 / np.sqrt(2 * light / pixels)
        columns = scaled.shape[1] // 2 * 2
        found.append(((scaled[:, :columns:2] - scaled[:, 1:columns:2]) / np.sqrt(2)).ravel())
    whole = np.concatenate(found)
    return np.asarray(whole[np.isfinite(whole)])
