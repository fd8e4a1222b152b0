"""Curvature of straight lines across the frame, from known distortion."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.chart.model import DistortionModel

LINES = 21
POINTS = 61
"""Lines across the frame in either direction, the edges among them, and places on each. Chosen: bends are smooth."""


def measure_edge_bend(distortion: DistortionModel, half_width: float, half_height: float) -> dict[str, float]:
    """Return the line distortion of the frame's four edges in percent.

    Parameters
    ----------
    distortion
        The lens.
    half_width, half_height
        Of the frame, in half-diagonals.

    Returns
    -------
    dict
        `top`, `bottom`: 100 dH / H. H is the picture's height; dH the distance of the edge's ends, their mean, from the
        horizontal centre line, less that of its middle. `left`, `right`: 100 dW / W likewise.

    Notes
    -----
    For r' = r (1 + k r^2) this is k w^2 / 2 and k h^2 / 2 exactly, w and h half width and half height. The definition
    is that of television practice, adopted by ISO 17850:2015, 6.2 (line geometric distortion; from memory). A rotation
    of the line cancels in the mean of both ends.
    """
    along = np.array([-1.0, 0.0, 1.0])
    found = {}
    for name, side, half, other, axis in (
        ("top", -1.0, half_height, half_width, 1),
        ("bottom", 1.0, half_height, half_width, 1),
        ("left", -1.0, half_width, half_height, 0),
        ("right", 1.0, half_width, half_height, 0),
    ):
        line = np.empty((3, 2))
        line[:, axis] = side * half
        line[:, 1 - axis] = along * other
        away = side * distortion.apply(line)[:, axis]
        found[name] = float(100 * ((away[0] + away[2]) / 2 - away[1]) / (2 * half))
    return found


def measure_worst_bend(distortion: DistortionModel, half_width: float, half_height: float) -> float:
    """Return the largest departure of a horizontal or vertical line from its chord, in percent of picture height.

    Straight lines over the whole frame, edges included, are distorted and compared with the chords of their ends.
    """
    worst = 0.0
    for half, other, axis in ((half_height, half_width, 1), (half_width, half_height, 0)):
        lines = np.empty((LINES, POINTS, 2))
        lines[..., axis] = np.linspace(-half, half, LINES)[:, None]
        lines[..., 1 - axis] = np.linspace(-other, other, POINTS)
        worst = max(worst, float(np.abs(_leave_chord(distortion.apply(lines), axis)).max()))
    return 100 * worst / (2 * half_height)


def _leave_chord(bent: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Return the distance of points (lines, points, 2), along `axis`, from the chord of each line's ends."""
    along, away = bent[..., 1 - axis], bent[..., axis]
    share = (along - along[:, :1]) / (along[:, -1:] - along[:, :1])
    return np.asarray(away - (away[:, :1] + share * (away[:, -1:] - away[:, :1])))


def measure_radial(distortion: DistortionModel, height: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return radial distortion (H' - H) / H in percent at ideal heights (n,) in half-diagonals."""
    square = height * height
    return np.asarray(100 * square * np.polynomial.polynomial.polyval(square, np.append(distortion.radial, 0.0)))
