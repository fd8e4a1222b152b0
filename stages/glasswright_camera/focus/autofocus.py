"""Measure the repeatability of autofocus."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import Field
from scipy.special import chdtri, gammaln

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.ramp import RampTrace
from glasswright_camera.focus.depth import depth_of_focus_um
from glasswright_camera.focus.reading import find_focus, main_plane, read_setting
from glasswright_camera.focus.result import AutofocusRepeat

COVERAGE = 0.95
"""Of the interval that is stated for a scatter (chi-square)."""


@stage
def measure_autofocus(
    traces: tuple[RampTrace, ...],
    *,
    least_shots_count: Annotated[int, Field(ge=3, le=99)] = 5,
    confusion_um: Annotated[float, Field(gt=0)] = 30.0,
) -> AutofocusRepeat:
    """Measure bias, scatter and worst case of the focus over several ramp shots, focused anew before each.

    Parameters
    ----------
    traces
        The ramp shots of one setting.
    least_shots_count
        Fewest shots from which a scatter is estimated.
    confusion_um
        Circle of confusion c at the sensor, for the depth of focus N c (1 + m).

    Returns
    -------
    AutofocusRepeat
        The scatter is that of a normal population, without the bias of small samples; its confidence interval is by
        chi-square. It includes the noise of the fits, which is a twentieth of a micrometre at the sensor on the shipped
        board, where autofocus scatters by one or more.

    Raises
    ------
    Unmeasurable
        Too few shots, or a shot whose best focus lies outside the scale: the message names it.
    """
    if len(traces) < least_shots_count:
        raise Unmeasurable(
            f"{len(traces)} ramp shot{'' if len(traces) == 1 else 's'}; {least_shots_count} are needed to estimate a "
            f"scatter: shoot {least_shots_count - len(traces)} more, focusing anew before each. "
            "`measure_focus_offset` needs only one"
        )
    lens = read_setting(traces[0])
    found = []
    for trace in traces:
        try:
            found.append(find_focus(trace, main_plane(trace), lens))
        except Unmeasurable as failure:
            raise Unmeasurable(f"{trace.shot}: {failure}") from failure
    depth = depth_of_focus_um(lens.f_number, confusion_um, traces[0].magnification_frac)
    angle_u = max(shot.angle_u_frac for shot in found)
    at_board, at_sensor = (
        summarise(
            np.array([getattr(shot, name) for shot in found]),
            np.array([getattr(shot, f"{name}_u") for shot in found]),
            np.array([getattr(shot.model_u, name) for shot in found]),
            angle_u,
        )
        for name in ("axial_mm", "shift_um")
    )
    low, high = scatter_interval(at_board.spread, len(found))
    return AutofocusRepeat(
        bias_mm=at_board.bias,
        bias_mm_u=at_board.bias_u,
        scatter_mm=at_board.scatter,
        scatter_mm_u=at_board.scatter_u,
        worst_mm=at_board.worst,
        worst_mm_u=at_board.worst_u,
        bias_depths=at_sensor.bias / depth,
        bias_depths_u=at_sensor.bias_u / depth,
        scatter_depths=at_sensor.scatter / depth,
        scatter_depths_u=at_sensor.scatter_u / depth,
        worst_depths=at_sensor.worst / depth,
        worst_depths_u=at_sensor.worst_u / depth,
        scatter_low_mm=low,
        scatter_high_mm=high,
        ramp=traces[0].ramp,
        shot_count=len(found),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Mean, standard deviation and worst of some offsets, with their standard uncertainties."""

    bias: float
    bias_u: float
    spread: float
    """Standard deviation of the sample."""
    scatter: float
    """Of the population, by the sample."""
    scatter_u: float
    worst: float
    worst_u: float


def summarise(
    value: np.ndarray[tuple[int], np.dtype[np.float64]],
    value_u: np.ndarray[tuple[int], np.dtype[np.float64]],
    model_u: np.ndarray[tuple[int], np.dtype[np.float64]],
    shared_u_frac: float,
) -> Summary:
    """Return bias, scatter and worst of offsets with their standard uncertainties.

    The scatter is the unbiased standard deviation of the sample, s / c4; its uncertainty follows from the variance of
    s, (1 - c4^2) sigma^2. `model_u`, of each offset, and the relative `shared_u_frac` do not average out.
    """
    count = len(value)
    spread = float(value.std(ddof=1))
    scatter = spread / small_sample_share(count)
    worst = int(np.argmax(np.abs(value)))
    bias = float(value.mean())
    own = max(spread / count**0.5, float(np.linalg.norm(value_u)) / count)
    return Summary(
        bias=bias,
        bias_u=float(np.linalg.norm([own, model_u.mean(), bias * shared_u_frac])),
        scatter=scatter,
        spread=spread,
        scatter_u=scatter * float(np.hypot(np.sqrt(small_sample_share(count) ** -2 - 1), shared_u_frac)),
        worst=float(value[worst]),
        worst_u=float(np.linalg.norm([value_u[worst], model_u[worst], value[worst] * shared_u_frac])),
    )


def small_sample_share(count: int) -> float:
    """Return c4: the mean standard deviation of samples of n normal values, over that of the population.

    ``sqrt(2 / (n - 1)) Gamma(n / 2) / Gamma((n - 1) / 2)``: 0.9400 for five (Montgomery, Introduction to Statistical
    Quality Control, appendix VI).
    """
    return float(np.sqrt(2 / (count - 1)) * np.exp(gammaln(count / 2) - gammaln((count - 1) / 2)))


def scatter_interval(scatter: float, count: int) -> tuple[float, float]:
    """Return the 95 % confidence interval of a standard deviation (chi-square with n - 1 degrees of freedom)."""
    ends = chdtri(count - 1, [(1 - COVERAGE) / 2, (1 + COVERAGE) / 2])
    low, high = scatter * np.sqrt((count - 1) / ends)
    return float(low), float(high)
