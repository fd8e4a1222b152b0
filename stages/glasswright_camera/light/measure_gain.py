"""The stage that measures the sensor's gain: the number of electrons at white."""

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
    """The sensor's gain, as electrons at white."""

    white_count: float
    """Electrons in a pixel at white; more at a lower gain setting."""
    white_count_u: float
    difference_count: int
    """Number of differences between block means used."""


@stage
def measure_gain(shots: tuple[FlatShot, ...]) -> SensorGain:
    """Measure the number of electrons at white, from the noise between flats of the same light.

    Shot noise makes the variance of a pixel between two frames its light over the electrons at white (photon transfer;
    EMVA 1288, 6.6). Falloff, dust and uneven pixels cancel in the difference of two frames, slow changes of the light
    cancel between neighbouring blocks. Read noise is not subtracted: at half of white it adds less than a thousandth.

    Parameters
    ----------
    shots
        Two or more frames of the diffuse source at one setting, used in pairs.

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
    """Return the differences of neighbouring blocks between two shots, (differences,), scaled to one pixel at white.

    Their variance is one over the electrons at white. The last row and column of blocks are left out, as the frame may
    cut them.
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
