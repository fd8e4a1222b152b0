"""The mean of a gain map over a box in a corner of the frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

CORNERS: Final = ("upper left", "upper right", "lower left", "lower right")
POWERS: Final = tuple((i, j) for i in range(4) for j in range(4 - i))
"""Of x and y: a cubic follows the falloff within a corner."""
LEAST_BLOCKS: Final = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box in a corner, measured from that corner, in blocks."""

    width: float
    height: float


def mean_over_corner(
    gain: NDArray[np.float64], gain_u: NDArray[np.float64], size: tuple[float, float], box: Box, corner: str
) -> tuple[float, float]:
    """Give the mean gain over the box in a corner, and its standard uncertainty.

    A cubic surface is fitted to the gain's points around the box and averaged over it exactly, so neither the box's
    place between the points nor the curvature within it matters.

    Parameters
    ----------
    gain, gain_u
        (rows, columns), at the middles of whole blocks.
    size
        Width and height of the frame in blocks; not whole numbers in general.
    box
        The box's size.
    corner
        `upper left` and so on, as the sensor's rows and columns lie.

    Returns
    -------
    mean, uncertainty
        The uncertainty takes the points about the box as sharing one error: they were smoothed over each other.
    """
    rows, columns = gain.shape
    x, y = np.arange(columns) + 0.5, np.arange(rows) + 0.5
    if "right" in corner:
        gain, gain_u, x = gain[:, ::-1], gain_u[:, ::-1], size[0] - x[::-1]
    if "lower" in corner:
        gain, gain_u, y = gain[::-1], gain_u[::-1], size[1] - y[::-1]
    take_x = min(columns, max(LEAST_BLOCKS, int(np.ceil(box.width)) + 2))
    take_y = min(rows, max(LEAST_BLOCKS, int(np.ceil(box.height)) + 2))
    near = gain[:take_y, :take_x]
    scale_x, scale_y = x[take_x - 1], y[take_y - 1]
    grid_y, grid_x = np.meshgrid(y[:take_y] / scale_y, x[:take_x] / scale_x, indexing="ij")
    coefficients = np.linalg.lstsq(monomials(grid_x.ravel(), grid_y.ravel()), near.ravel(), rcond=None)[0]
    mean = float(box_means(box.width / scale_x, box.height / scale_y) @ coefficients)
    return mean, float(np.sqrt(np.mean(gain_u[:take_y, :take_x] ** 2)))


def monomials(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the values of the cubic's terms: (points, terms)."""
    return np.stack([x**i * y**j for i, j in POWERS], axis=-1)


def box_means(width: float, height: float) -> NDArray[np.float64]:
    """Give the mean of each of the cubic's terms over a box that begins at 0, 0."""
    return np.array([width**i / (i + 1) * height**j / (j + 1) for i, j in POWERS])
