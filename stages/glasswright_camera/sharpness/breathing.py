"""Change of the image's size with focus, from a focus series."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Artefact, Unmeasurable, format_count, stage
from glasswright_camera.edges.repeats import main_name, main_plane, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

LEAST_STEPS: Final = 3
LEAST_DISCS: Final = 12
FOCAL_LENGTH_U: Final = 0.02
"""Relative standard uncertainty of a nominal focal length (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Breathing(Artefact):
    """Change of the image's size with focus at one setting."""

    breathing_ratio: float
    """Relative change of size over that of a lens that is moved as a whole: 1 for such a lens, 0 for constant size,
    negative if the image shrinks on focusing nearer. NaN without `focus_step` in the stand file or a focal length."""
    breathing_ratio_u: float
    breathing_pct: float
    """Change of size from infinity to the chart's distance, if it is the same for each part of the way: the ratio times
    the magnification."""
    breathing_pct_u: float
    series_change_pct: float
    """Measured change of size from the first step to the last."""
    series_change_pct_u: float
    shot_count: int
    step: NDArray[np.float64]
    """(steps,): place of each shot in the series."""
    size_pct: NDArray[np.float64]
    """(steps,): size relative to the mean of all, %."""
    size_pct_u: NDArray[np.float64]


@stage
def measure_breathing(series: tuple[Trace, ...], stand: Stand) -> Breathing:
    """Measure the change of the image's size along a focus series.

    A thin lens that is moved by d towards the sensor images a fixed object smaller by d / f, and its focus moves back
    by ``d (1 - m^2)``, m the magnification (thin-lens equation). So the ratio is ``-f (1 - m^2)`` times the relative
    change of size for each unit by which the focus moves back. Lenses with internal focusing differ from 1.

    Parameters
    ----------
    series
        Traces of the focus series; the lens is focused, not the stand moved.
    stand
        `focus_step` is the movement of the focus by a step.

    Returns
    -------
    Breathing
        The size is the scale of the disc centres in the middle of the frame, against the mean of all steps. Its
        uncertainty is from the scatter of the centres and from that of the steps about a straight line; the ratio's
        also from step size and focal length.

    Raises
    ------
    Unmeasurable
        With fewer than three steps, or twelve discs common to all.
    """
    series = tuple(sorted(series, key=lambda trace: trace.sequence_count))
    if len(series) < LEAST_STEPS:
        raise Unmeasurable(
            f"the focus series has {format_count(len(series), 'step')} that can be used; {LEAST_STEPS} are needed"
        )
    step = np.array([trace.sequence_count for trace in series], dtype=np.float64)
    size, size_u = find_sizes(series)
    away = step - step.mean()
    square = float((away**2).sum())
    slope = float((away * size).sum()) / square
    rest = size - size.mean() - slope * away
    scatter = float(np.sqrt((rest**2).sum() / max(len(step) - 2, 1)))
    slope_u = max(float(np.sqrt(np.mean(size_u**2))), scatter) / float(np.sqrt(square))
    setting = series[0].setting
    step_um, step_um_u = stand.focus_step_um(setting)
    focal_um = 1000 * setting.focal_length_mm if setting and setting.focal_length_mm else nan
    magnification = float(np.mean([trace.magnification_frac for trace in series]))
    ratio = -slope / step_um * focal_um * (1 - magnification**2)
    relative_u = float(np.hypot(step_um_u / step_um, FOCAL_LENGTH_U))
    ratio_u = float(np.hypot(slope_u / step_um * focal_um, ratio * relative_u))
    return Breathing(
        breathing_ratio=ratio,
        breathing_ratio_u=ratio_u,
        breathing_pct=100 * magnification * ratio,
        breathing_pct_u=100 * magnification * ratio_u,
        series_change_pct=100 * slope * float(np.ptp(step)),
        series_change_pct_u=100 * slope_u * float(np.ptp(step)),
        shot_count=len(series),
        step=step - step.min(),
        size_pct=100 * size,
        size_pct_u=100 * size_u,
    )


def find_sizes(series: tuple[Trace, ...]) -> tuple[Array, Array]:
    """Return each step's relative size less 1 (steps,), against the mean of all, and its standard uncertainty."""
    plane = main_plane(series[0])
    shared = shared_discs(series, [main_name(series[0])], need="place")
    centre = shared.stack(lambda trace: trace.centre_px)[:, plane]
    if len(shared.node) < LEAST_DISCS:
        raise Unmeasurable(
            f"only {format_count(len(shared.node), 'disc')} measured in all steps; "
            f"{LEAST_DISCS} are needed: shoot smaller steps"
        )
    mean = centre.mean(axis=0) - [(series[0].width_px - 1) / 2, (series[0].height_px - 1) / 2]
    turned = np.column_stack([-mean[:, 1], mean[:, 0]])
    square = (mean**2).sum(axis=1, keepdims=True)
    cubic = mean * square / square.max()
    along_x, along_y = np.zeros_like(mean), np.zeros_like(mean)
    along_x[:, 0], along_y[:, 1] = 1, 1
    # size, rotation and shift of the picture, and a distortion that changes with size
    basis = np.stack([each.ravel() for each in (mean, cubic, turned, along_x, along_y)], axis=1)
    inverse = np.linalg.inv(basis.T @ basis)
    moved = (centre - centre.mean(axis=0)).reshape(len(series), -1)
    found = moved @ basis @ inverse
    rest = moved - found @ basis.T
    noise = np.sqrt((rest**2).sum(axis=1) / (rest.shape[1] - basis.shape[1]))
    return found[:, 0], noise * float(np.sqrt(inverse[0, 0]))
