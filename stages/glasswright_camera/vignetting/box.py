"""The mean of a gain map over a box of the frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

POWERS: Final = tuple((i, j) for i in range(4) for j in range(4 - i))
"""Exponents of x and y: a cubic fits the falloff within a corner."""
LEAST_POINTS: Final = 6
LEAST_GAIN: Final = 1e-6
"""Keeps a relative error finite where there is no light."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box of the frame, in blocks from its upper left corner."""

    left: float
    top: float
    width: float
    height: float


def mean_over_box(gain: NDArray[np.float64], gain_u: NDArray[np.float64], box: Box) -> tuple[float, float]:
    """Return the mean gain over a box, and its standard uncertainty.

    A cubic surface is fitted to the gain's points around the box and averaged over it exactly, so the box's place
    between the points and the curvature within it have no effect.

    Parameters
    ----------
    gain, gain_u
        (rows, columns), at the middles of whole blocks.
    box
        The box.

    Returns
    -------
    mean, uncertainty
        The points about the box are assumed to share one relative error, because the map is smoothed and changes of
        lamps and lens are relative.
    """
    rows, columns = gain.shape
    across, down = choose_points(box.left, box.width, columns), choose_points(box.top, box.height, rows)
    reach_x, reach_y = len(across) / 2, len(down) / 2
    middle_x, middle_y = across[0] + reach_x, down[0] + reach_y
    y, x = np.meshgrid((down + 0.5 - middle_y) / reach_y, (across + 0.5 - middle_x) / reach_x, indexing="ij")
    near = np.ix_(down, across)
    terms = np.stack([x.ravel() ** i * y.ravel() ** j for i, j in POWERS], axis=-1)
    coefficients = np.linalg.lstsq(terms, gain[near].ravel(), rcond=None)[0]
    mean_x = mean_powers((box.left - middle_x) / reach_x, box.width / reach_x)
    mean_y = mean_powers((box.top - middle_y) / reach_y, box.height / reach_y)
    mean = float(np.array([mean_x[i] * mean_y[j] for i, j in POWERS]) @ coefficients)
    relative = gain_u[near] / np.maximum(np.abs(gain[near]), LEAST_GAIN)
    return mean, abs(mean) * float(np.sqrt(np.mean(relative**2)))


def choose_points(begin: float, length: float, count: int) -> NDArray[np.int64]:
    """Return the indices of the points to fit along one direction: the box and one more block on each side."""
    middle = begin + length / 2
    take = max(LEAST_POINTS, int(np.ceil(length)) + 2)
    take = min(count, take + (round(2 * middle) - take) % 2)  # as many on either side of the box's middle
    start = min(max(round(middle - take / 2), 0), count - take)
    return np.arange(start, start + take)


def mean_powers(begin: float, length: float) -> NDArray[np.float64]:
    """Return the means of 1, x, x^2, x^3 over an interval."""
    end = begin + length
    return np.array([(end ** (i + 1) - begin ** (i + 1)) / (i + 1) / length for i in range(4)])
