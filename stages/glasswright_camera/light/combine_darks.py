"""The stage that combines dark shots and checks the files' black levels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.light.dark import DarkLevels, DarkShot

if TYPE_CHECKING:
    from numpy.typing import NDArray


@stage
def combine_darks(shots: tuple[DarkShot, ...]) -> DarkLevels:
    """Combine dark shots: error of the declared black level, noise, drift, and pixels hot in most of them.

    Parameters
    ----------
    shots
        The repeats, from one body.

    Raises
    ------
    Unmeasurable
        Where the shots are not of one frame size and colour pattern.
    """
    sizes = {(shot.width_px, shot.height_px, shot.level_dn.shape): shot.shot for shot in shots}
    if len(sizes) > 1:
        text = "; ".join(f"{name} has {width} x {height} pixels" for (width, height, _), name in sizes.items())
        raise Unmeasurable(f"the dark shots are not from one body: {text}")
    levels = np.array([shot.level_dn for shot in shots])
    level = levels.mean(axis=0)
    noise = np.sqrt(np.mean([shot.noise_dn**2 for shot in shots], axis=0))
    error = np.abs(level - shots[0].declared_black_dn)
    channel, row, column = np.unravel_index(int(error.argmax()), error.shape)
    worst = (int(channel), int(row), int(column))
    pixels = shots[0].width_px * shots[0].height_px / level[0].size
    scatter = float(np.std([shot.level_dn[worst] for shot in shots], ddof=1)) if len(shots) > 1 else 0.0
    hot = find_lasting(shots)
    return DarkLevels(
        black_error_dn=float(error[worst]),
        black_error_dn_u=float(np.hypot(scatter, noise[worst] / np.sqrt(pixels)) / np.sqrt(len(shots))),
        noise_dn=float(noise.max()),
        noise_dn_u=float(noise.max() / np.sqrt(2 * pixels * len(shots))),
        drift_dn=float(np.ptp(levels, axis=0).max()),
        hot_pixel_count=len(hot),
        level_dn=level,
        hot_pixel=hot,
        shot_count=len(shots),
    )


def find_lasting(shots: tuple[DarkShot, ...]) -> NDArray[np.int64]:
    """Return x and y of the pixels hot in more than half of the shots, which excludes cosmic rays: (pixels, 2)."""
    everything = np.concatenate([shot.hot_pixel[:, :2] for shot in shots])
    places, times = np.unique(everything, axis=0, return_counts=True)
    return np.asarray(places[times > len(shots) / 2])
