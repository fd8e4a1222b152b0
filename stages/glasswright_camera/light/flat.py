"""The evenness of a light field, coarse and per colour plane."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

import numpy as np

from glasswright import Artefact
from glasswright_camera.light.flat_outliers import find_odd_flats

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatShot(Artefact):
    """One frame of an even field, reduced to block means: result of `reduce_flat`, input of `combine_flats`."""

    shot: str
    role: str
    width_px: int
    height_px: int
    planes: tuple[str, ...]
    block_px: float
    light: NDArray[np.float32]
    """(planes, rows, columns): mean light of each block, 0 black, 1 white; outlying pixels rejected. Block (i, j)
    begins at x = j * block_px - 0.5, y likewise; those of the last column and row are cut by the frame. NaN where a
    block had too few good pixels."""
    light_u: NDArray[np.float32]
    """Standard uncertainty of each block mean, from the scatter of its pixels."""
    offset_px: NDArray[np.float64]
    """(planes, 2): mean x and y of a plane's pixels from the middle of their block: half a pixel for red and blue of a
    Bayer pattern."""
    exposure_time_s: float | None = None
    median_light_frac: float = 0.0
    """Median light of the frame's brightest plane, of white."""
    pixels_per_block: tuple[int, ...] = ()
    """Number of pixels of each plane in a whole block."""

    @classmethod
    def find_outliers(cls, members: Sequence[Self]) -> Mapping[int, str]:
        """Return the shots whose light level or shape deviates from the others': index -> reason."""
        return find_odd_flats([member.light for member in members], [member.exposure_time_s for member in members])


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatField(Artefact):
    """The gain map of a setting, combined from several `FlatShot`: per plane, 1 at the frame's centre."""

    role: str
    """`flat` (the diffuse source) or `panel` (a white panel in the chart's place)."""
    width_px: int
    height_px: int
    planes: tuple[str, ...]
    block_px: float
    gain: NDArray[np.float32]
    """(planes, rows, columns): gain at the points x = (j + 0.5) * block_px - 0.5, y likewise, of which those of the
    last column and row may lie outside the frame; no NaN."""
    gain_u: NDArray[np.float32]
    """Standard uncertainty of the gain. Neighbours within two blocks share most of it."""
    light_level: NDArray[np.float32]
    """(planes,): mean light at the frame's centre, of white."""
    shot_count: int
    exposure_time_s: float | None = None
    level_change_pct: float = 0.0
    """Largest difference of light between the shots, corrected for exposure time."""
    shots: tuple[str, ...] = ()
    """Names of the shots combined."""
    corner_gain: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 4)))
    """(planes, 4): gain of the outermost block in each corner (upper left, upper right, lower left, lower right), not
    of the smooth map, which cannot follow a shadow's edge. NaN without good light. Empty in older maps."""
    corner_gain_u: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 4)))
