"""The field's gain at each disc, from a coarse map."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import map_coordinates

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.light.flat import FlatField

    Array = NDArray[np.float64]


def field_gain(field: FlatField | None, planes: tuple[str, ...], centre_px: Array) -> Array:
    """Return the gain about each disc as a polynomial: coefficients of 1, x, y, x^2, x y, y^2, px from its centre.

    Parameters
    ----------
    field
        The gain map, or None for an even field.
    planes
        The mosaic's planes; one that the map lacks has gain 1.
    centre_px
        (discs, 2).

    Returns
    -------
    Array
        (planes, discs, 6).
    """
    gain = np.zeros((len(planes), len(centre_px), 6))
    gain[:, :, 0] = 1.0
    if field is None:
        return gain
    reach = field.block_px
    for index, plane in enumerate(planes):
        if plane not in field.planes:
            continue
        grid = np.asarray(field.gain[field.planes.index(plane)], dtype=np.float64)

        def look(dx: float, dy: float, grid: Array = grid) -> Array:
            block = (centre_px + np.array([dx, dy]) + 0.5) / field.block_px - 0.5
            return np.asarray(map_coordinates(grid, [block[:, 1], block[:, 0]], order=1, mode="nearest"))

        here, right, left, low, high = look(0, 0), look(reach, 0), look(-reach, 0), look(0, reach), look(0, -reach)
        across = look(reach, reach) - look(reach, -reach) - look(-reach, reach) + look(-reach, -reach)
        gain[index, :, 0] = here
        gain[index, :, 1] = (right - left) / (2 * reach)
        gain[index, :, 2] = (low - high) / (2 * reach)
        gain[index, :, 3] = (right + left - 2 * here) / (2 * reach**2)
        gain[index, :, 4] = across / (4 * reach**2)
        gain[index, :, 5] = (low + high - 2 * here) / (2 * reach**2)
    return gain
