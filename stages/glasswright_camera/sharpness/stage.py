"""Measure sharpness at one setting."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from glasswright import stage
from glasswright_camera.edges.trace import Trace
from glasswright_camera.sharpness.flag import flag_impossible
from glasswright_camera.sharpness.focus_curve import LEAST_STEPS
from glasswright_camera.sharpness.reading import read_series, read_single
from glasswright_camera.sharpness.result import Sharpness
from glasswright_camera.stand import Stand


@stage
def measure_mtf50(
    traces: tuple[Trace, ...],
    focus_series: tuple[Trace, ...] | None,
    stand: Stand,
    *,
    least_zone_discs_count: Annotated[int, Field(ge=1, le=99)] = 1,
) -> Sharpness:
    """Read MTF50 by colour plane, field zone and direction, with its uncertainty.

    MTF50 is the frequency at which the transfer function of lens and pixel, normalised by the full step of the edge,
    first falls to one half (ISO 12233's quantity, read at circular edges, for lines along the image radius and at
    right angles to it). With a focus series it is read where the centre zone's own curve peaks, all zones at that one
    focus, and each zone's own peak is kept; without one it is read as shot.

    Parameters
    ----------
    traces
        The chart shots of the setting. Their scatter enters the uncertainty from five shots on.
    focus_series
        Traces of a focus series (five steps or more), stepped in the order of the files.
    stand
        For the zones and the pixel pitch.
    least_zone_discs_count
        A zone with fewer measured discs is NaN.

    Returns
    -------
    Sharpness
        Caveat `single_focus` where it was read as shot: a lens focused wrongly then looks like a soft one. Caveat
        `above_diffraction_limit` where a value lies above what diffraction and pixel allow by more than three of its
        standard uncertainties: the measurement is at fault.

    Raises
    ------
    Unmeasurable
        Best focus lies outside the series (the message says on which side).
    """
    if focus_series is not None and len(focus_series) >= LEAST_STEPS:
        found = read_series(focus_series, traces, stand, least_zone_discs_count)
    else:
        found = read_single(traces, stand, least_zone_discs_count)
    return flag_impossible(found, traces[0].setting if traces else None, stand)
