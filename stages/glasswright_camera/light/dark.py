"""Results of dark frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from glasswright import Artefact

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkShot(Artefact):
    """One dark frame, reduced: result of `reduce_dark`, input of `combine_darks`."""

    shot: str
    width_px: int
    height_px: int
    level_dn: NDArray[np.float64]
    """(channels, period height, period width): mean of each site of the colour pattern, hot pixels left out."""
    noise_dn: NDArray[np.float64]
    """Shape of `level_dn`: standard deviation between pixels, hot pixels left out."""
    declared_black_dn: NDArray[np.float64]
    """Shape of `level_dn`: the black level declared in the file or the stand file."""
    white_dn: float
    hot_pixel: NDArray[np.int64]
    """(hot pixels, 3): x, y and value of each, brightest first."""
    hot_pixel_count: int
    exposure_time_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkLevels(Artefact):
    """The sensor's black: error of the files' black level, noise, hot pixels."""

    black_error_dn: float
    """Largest difference between the measured mean of a site and the black declared for it."""
    black_error_dn_u: float
    noise_dn: float
    """Read noise and fixed pattern together: standard deviation over the frame, of the noisiest site."""
    noise_dn_u: float
    drift_dn: float
    """Largest difference of level between the shots."""
    hot_pixel_count: int
    """Pixels hot in more than half of the shots."""
    level_dn: NDArray[np.float64]
    """(channels, period height, period width): mean of each site."""
    hot_pixel: NDArray[np.int64]
    """(hot pixels, 2): x and y."""
    shot_count: int
