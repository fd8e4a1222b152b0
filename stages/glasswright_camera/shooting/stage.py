"""The stage that checks that the light was the same in all related shots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Artefact, Unmeasurable, format_against, format_count, stage
from glasswright_camera.edges.repeats import Repeats, main_name, main_plane, shared_discs
from glasswright_camera.edges.trace import Trace
from glasswright_camera.edges.trace_light import field_gain
from glasswright_camera.field import image_radius
from glasswright_camera.light.flat import FlatField
from glasswright_camera.stand import Stand

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_DISCS = 6
"""Chosen: a median of fewer may be that of one corner."""
LIGHT_MOVED = "light_moved"


@dataclass(frozen=True, slots=True, kw_only=True)
class LightCheck(Artefact):
    """Steadiness of a setting's light; NaN where the ticket has no such shots."""

    chart_level_change_pct: float
    """Largest difference of the paper's light between the chart shots; 0 for a single one."""
    panel_level_change_pct: float
    """The same between the panel shots."""
    flat_level_change_pct: float
    """The same between the flat shots."""
    chart_to_panel_slope_pct: float
    """Change of the paper's light over the panel's from one side of the field to the other, from lamps that moved."""
    chart_to_panel_slope_pct_u: float
    chart_to_panel_ratio: float
    """Light of the paper over light of the panel at the frame's centre, not corrected for exposure."""
    chart_to_panel_ratio_u: float


@stage
def check_light(traces: tuple[Trace, ...], panel: FlatField | None, flat: FlatField | None, stand: Stand) -> LightCheck:
    """Compare the light of a setting's chart shots with one another and with the panel's.

    Parameters
    ----------
    traces
        The chart shots.
    panel
        The white panel in the chart's place; with the same lamps the paper's light over the panel's is even.
    flat
        The diffuse source.
    stand
        For the limit on changes of the light.

    Raises
    ------
    Unmeasurable
        Where fewer than six discs are in all chart shots.
    """
    repeats = shared_discs(traces, [main_name(traces[0])], "place")
    if len(repeats.node) < LEAST_DISCS:
        raise Unmeasurable(
            f"only {format_count(len(repeats.node), 'disc')} placed in all of {format_count(len(traces), 'chart shot')}"
        )
    plane = main_plane(traces[0])
    paper = repeats.stack(lambda trace: trace.paper_light)[:, plane]
    change_pct = find_change(paper)
    slope = compare_panel(paper.mean(axis=0), repeats, panel, plane)
    limit_pct = stand.shooting.level_change_pct
    notes = [
        f"{text}, more than {limit_pct:g} %: let the lamps warm up, do not move them, shoot again"
        for text, size_pct in (
            (
                f"the chart's light changes by {format_against(change_pct, limit_pct, '.1f')} % between the shots",
                change_pct,
            ),
            (
                "the light's slope across the chart differs from the panel's by "
                f"{format_against(slope.slope_pct, limit_pct, '.1f')} %",
                slope.slope_pct,
            ),
        )
        if size_pct > limit_pct
    ]
    return LightCheck(
        chart_level_change_pct=change_pct,
        panel_level_change_pct=panel.level_change_pct if panel else float("nan"),
        flat_level_change_pct=flat.level_change_pct if flat else float("nan"),
        chart_to_panel_slope_pct=slope.slope_pct,
        chart_to_panel_slope_pct_u=slope.slope_pct_u,
        chart_to_panel_ratio=slope.ratio,
        chart_to_panel_ratio_u=slope.ratio_u,
        caveats=("level_change",) * (change_pct > limit_pct) + (LIGHT_MOVED,) * (slope.slope_pct > limit_pct),
        notes=tuple(notes),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """The paper's light over the panel's, across the field."""

    ratio: float
    ratio_u: float
    slope_pct: float
    slope_pct_u: float


def find_change(paper: NDArray[np.float64]) -> float:
    """Return the largest difference of level between shots, per cent.

    Parameters
    ----------
    paper
        (shots, discs).
    """
    levels = np.median(paper / paper.mean(axis=0), axis=1)
    return 100 * float(np.ptp(levels))


def compare_panel(paper: NDArray[np.float64], repeats: Repeats, panel: FlatField | None, plane: int) -> Slope:
    """Return level and linear slope of the paper's light over the panel's, fitted to the discs.

    Parameters
    ----------
    paper
        (discs,): mean of the shots.
    """
    trace = repeats.traces[0]
    if panel is None or trace.planes[plane] not in panel.planes:
        return Slope(ratio=float("nan"), ratio_u=float("nan"), slope_pct=float("nan"), slope_pct_u=float("nan"))
    place = repeats.places()
    level = float(panel.light_level[panel.planes.index(trace.planes[plane])])
    ratio = paper / (field_gain(panel, trace.planes, place)[plane, :, 0] * level)
    field = image_radius(place, trace.width_px, trace.height_px)
    design = np.column_stack([np.ones(len(place)), field.unit * field.fraction[:, None]])
    fit = np.linalg.lstsq(design, ratio, rcond=None)[0]
    residual = ratio - design @ fit
    covariance = np.linalg.inv(design.T @ design) * float(residual @ residual) / (len(place) - 3)
    steepness = float(np.hypot(*fit[1:]))
    along = fit[1:] / steepness if steepness > 0 else np.array([1.0, 0.0])
    return Slope(
        ratio=float(fit[0]),
        ratio_u=float(np.sqrt(covariance[0, 0])),
        slope_pct=200 * steepness / float(fit[0]),  # the field is two half-diagonals across
        slope_pct_u=200 * float(np.sqrt(along @ covariance[1:, 1:] @ along)) / float(fit[0]),
    )
