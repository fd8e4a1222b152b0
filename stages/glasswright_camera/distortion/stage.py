"""The stage that measures distortion."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from pydantic import Field

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.model import Frame
from glasswright_camera.distortion.caveats import find_caveats
from glasswright_camera.distortion.fit import TraceFit, fit_trace, measure_residual, require_reach
from glasswright_camera.distortion.local import measure_local
from glasswright_camera.distortion.numbers import CURVE, CURVE_HEIGHTS, Bench, Numbers, choose_worst, combine_numbers
from glasswright_camera.distortion.result import Distortion
from glasswright_camera.edges.trace import Trace
from glasswright_camera.stand import ChartLayout, Fraction, Stand

if TYPE_CHECKING:
    from collections.abc import Sequence


@stage
def measure_distortion(
    traces: tuple[Trace, ...],
    stand: Stand,
    *,
    radial_terms_count: Annotated[int, Field(ge=1, le=3)] = 3,
    discs_min_count: Annotated[int, Field(ge=15)] = 30,
    reach_min_frac: Fraction = 0.6,
) -> Distortion:
    """Measure the lens's distortion, separated from the chart's pose.

    The chart as a plane in perspective, and the lens as radial terms r^2, r^4, r^6 and two tangential ones, are fitted
    together to the discs' centres of each shot; the shots are then averaged. Local distortion (ISO 17850:2015, 3.1 and
    6.1) is 100 (H' - H) / H, with H' a disc's measured image height and H that of the ideal lattice, which has the
    scale of the image centre. Line distortion (6.2) is that of the fitted lens at the frame's edges: see `Distortion`.
    The image centre is the middle of the sensor; an axis elsewhere shows as tangential terms.

    Parameters
    ----------
    traces
        The shots of one setting.
    stand
        For the chart's layout, the pixel pitch, and the limit on the chart's tilt.
    radial_terms_count
        Number of radial terms. Real lenses need r^2 and r^4 at least: two in five have a curve with an extremum.
    discs_min_count
        Fewest discs in a shot to separate pose and lens.
    reach_min_frac
        Image height that the discs must reach, in half-diagonals; beyond the outermost the fit is extrapolated.

    Raises
    ------
    Unmeasurable
        If the chart is unknown, or the discs are too few or too near the middle.

    Notes
    -----
    The uncertainty includes pixel noise, the print's errors as far as they show in the residuals, and the scatter of
    five shots or more. A bow of the print is corrected if the print was measured (`nodes_mm`), else it is not included.
    Neither is a keystone of the lens, which fits as a tilted chart.
    """
    layout = find_layout(traces, stand)
    first = traces[0]
    frame = Frame(width_px=first.width_px, height_px=first.height_px)
    fits = tuple(fit_trace(trace, layout, frame, radial_terms_count, discs_min_count) for trace in traces)
    reach = require_reach(fits, reach_min_frac)
    bench = Bench(
        frame=frame,
        layout=layout,
        pixel_pitch_um=stand.sensor.pixel_pitch_um,
        focal_length_mm=first.setting.focal_length_mm if first.setting else None,
        radial_terms=radial_terms_count,
    )
    numbers = combine_numbers(fits, bench)
    caveats, notes = find_caveats(fits, numbers, reach, stand.shooting.pose_deg)
    return report(fits, numbers, reach, bench, caveats, notes)


def report(
    fits: tuple[TraceFit, ...],
    numbers: Numbers,
    reach: float,
    bench: Bench,
    caveats: tuple[str, ...],
    notes: tuple[str, ...],
) -> Distortion:
    """Return the result from the numbers, the curve and the discs."""
    height = choose_worst(("picture_height_top_pct", "picture_height_bottom_pct"), numbers)
    width = choose_worst(("picture_width_left_pct", "picture_width_right_pct"), numbers)
    local = measure_local(fits, bench)
    scalars: dict[str, Any] = {name: value for name, value in numbers.value.items() if not name.startswith(CURVE)}
    scalars |= {f"{name}_u": numbers.u[name] for name in scalars}
    return Distortion(
        chart=bench.layout.name,
        picture_height_worst_pct=height[0],
        picture_height_worst_pct_u=height[1],
        picture_width_worst_pct=width[0],
        picture_width_worst_pct_u=width[1],
        **scalars,
        local_worst_pct=local.worst_pct,
        local_worst_pct_u=local.worst_pct_u,
        local_worst_height_frac=local.worst_height_frac,
        residual_rms_px=measure_residual(fits) * bench.frame.half_diagonal_px,
        reach_frac=reach,
        disc_count=min(len(fit.node) for fit in fits),
        left_out_count=max(fit.left_out for fit in fits),
        shot_count=len(fits),
        curve_height_frac=CURVE_HEIGHTS,
        curve_radial_pct=np.array([value for name, value in numbers.value.items() if name.startswith(CURVE)]),
        curve_radial_pct_u=np.array([u for name, u in numbers.u.items() if name.startswith(CURVE)]),
        disc_node=local.node,
        disc_height_frac=local.height_frac,
        disc_local_pct=local.local_pct,
        disc_off_px=local.off * bench.frame.half_diagonal_px,
        caveats=caveats,
        notes=notes,
    )


def find_layout(traces: Sequence[Trace], stand: Stand) -> ChartLayout:
    """Return the chart layout of all traces.

    Raises
    ------
    Unmeasurable
        If they differ, or the stand file does not have it.
    """
    names = sorted({trace.chart for trace in traces})
    known = {use.layout.name: use.layout for use in stand.charts}
    if len(names) > 1:
        message = f"the shots show different charts: {', '.join(names)}"
        raise Unmeasurable(message)
    if names[0] not in known:
        message = f"the shots show chart {names[0]}, the stand file has {', '.join(sorted(known))}"
        raise Unmeasurable(message)
    return known[names[0]]
