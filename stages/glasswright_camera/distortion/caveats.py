"""Caveats and notes of distortion: pose and lens not separable, chart tilted, chart too small."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from glasswright import format_against
from glasswright_camera.chart.model import PLANE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from glasswright_camera.distortion.fit import TraceFit
    from glasswright_camera.distortion.numbers import Numbers

ALIKE = 0.98
"""Correlation of a perspective and a tangential term above which they are not separable."""
NEAR_CORNER = 0.75
"""Image height that the discs must reach for the corner not to be extrapolated too far."""


def find_caveats(
    fits: Sequence[TraceFit], numbers: Numbers, reach: float, pose_limit_deg: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return caveats and notes.

    `pose_not_separable`: the tilt's uncertainty exceeds half the pose limit, or it is correlated with the tangential
    terms. `chart_not_parallel`: the tilt exceeds the limit. `short_of_corner`: the discs end well inside the corner.

    Parameters
    ----------
    fits
        The shots' fits.
    numbers
        With `pose_tilt_x_deg` and `pose_tilt_y_deg`, NaN where the focal length is unknown.
    reach
        Image height of the outermost disc in half-diagonals.
    pose_limit_deg
        Largest tilt allowed, from the stand file.
    """
    caveats, notes = [], []
    tilt = float(np.hypot(numbers.value["pose_tilt_x_deg"], numbers.value["pose_tilt_y_deg"]))
    tilt_u = max(numbers.u["pose_tilt_x_deg"], numbers.u["pose_tilt_y_deg"])
    alike = max(correlate_pose(fit) for fit in fits)
    if not np.isfinite(tilt):
        notes.append("the chart's tilt in degrees needs the focal length, which neither the files nor the ticket give")
    elif tilt > pose_limit_deg:
        caveats.append("chart_not_parallel")
        notes.append(
            f"the chart is tilted by {format_against(tilt, pose_limit_deg, '.2f')} degrees against the sensor "
            f"(limit {pose_limit_deg:g}): "
            f"{numbers.value['pose_tilt_x_deg']:+.2f} about x, {numbers.value['pose_tilt_y_deg']:+.2f} about y; "
            "align it and shoot again"
        )
    if alike > ALIKE or tilt_u > pose_limit_deg / 2:
        caveats.append("pose_not_separable")
        known = f", and the tilt is known to {tilt_u:.2f} degrees" if np.isfinite(tilt_u) else ""
        notes.append(
            f"the chart's tilt cannot be separated from the lens's decentring: their correlation is {alike:.3f}{known}"
        )
    if reach < NEAR_CORNER:
        caveats.append("short_of_corner")
        notes.append(f"the discs reach to {reach:.2f} of the half-diagonal; numbers for the corner are extrapolated")
    return tuple(caveats), tuple(notes)


def correlate_pose(fit: TraceFit) -> float:
    """Return the largest correlation of a perspective term with a tangential term, 0 to 1."""
    covariance = fit.model.covariance
    size = np.sqrt(np.diag(covariance))
    pose, lens = [PLANE - 2, PLANE - 1], [len(size) - 2, len(size) - 1]
    block = covariance[np.ix_(pose, lens)] / np.outer(size[pose], size[lens])
    return float(np.abs(block).max())
