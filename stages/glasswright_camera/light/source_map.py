"""The map of the diffuse source's unevenness."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from glasswright import Unmeasurable
from glasswright_camera.light.sensor_map import open_map

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright.config import DataFile

CUBIC_NEEDS = 4
"""Samples along a side that a cubic spline needs."""


def sample_source(file: DataFile, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the source's light at points of the frame, 1 at its centre.

    Parameters
    ----------
    file
        A .npy of (rows, columns) light over the whole frame, each value at the middle of its cell.
    x, y
        Points, 0 to 1 over the frame's width and height.

    Raises
    ------
    Unmeasurable
        Where the map is not two-dimensional, or has fewer than two rows or columns.
    """
    light = np.asarray(open_map(file.path, file.sha256), dtype=np.float64)
    if light.ndim != 2 or min(light.shape) < 2:
        raise Unmeasurable(
            f"the source map {Path(file.path).name} has the shape {light.shape}; it must be "
            "rows x columns, 2 x 2 or more"
        )
    rows, columns = ((np.arange(count, dtype=np.float64) + 0.5) / count for count in light.shape)
    method: Literal["cubic", "linear"] = "cubic" if min(light.shape) >= CUBIC_NEEDS else "linear"
    surface = RegularGridInterpolator((rows, columns), light, method=method, bounds_error=False, fill_value=None)
    centre = float(surface([[0.5, 0.5]])[0])
    return np.asarray(surface(np.column_stack([y.ravel(), x.ravel()])) / centre).reshape(x.shape)
