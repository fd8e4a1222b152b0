"""Trace the edges of every disc of a chart shot."""

from __future__ import annotations

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.edges.kernel.geometry import local_maps
from glasswright_camera.edges.kernel.table import EdgeTable, trace_table
from glasswright_camera.edges.trace import Trace
from glasswright_camera.edges.trace_light import field_gain
from glasswright_camera.edges.trace_misfit import NOT_JUDGED, unlike_places
from glasswright_camera.edges.trace_notes import is_beyond_nyquist, name_failures, name_notes, note_whole
from glasswright_camera.edges.trace_shake import refuse_shake
from glasswright_camera.field import direction_share, image_radius
from glasswright_camera.light.flat import FlatField
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.roles.shaken import MOVED_TOO_FAR, SHAKEN_ROLES
from glasswright_camera.stand import ChartLayout, Fraction, Stand

LEAST_DISCS = 6
"""In a colour plane, however small the chart: every stage that goes on from a trace needs as many."""


@stage
def trace_edges(
    mosaic: Mosaic,
    fit: ChartFit,
    stand: Stand,
    panel: FlatField | None,
    flat: FlatField | None,
    *,
    least_discs_frac: Fraction = 0.5,
) -> Trace:
    """Fit place, light and blur of each disc's edge, in each colour plane, at the undemosaiced pixels.

    Parameters
    ----------
    mosaic
        The chart shot.
    fit
        The places of its discs.
    stand
        For the print's layout and the limit on shake.
    panel, flat
        The field's evenness at this setting. The panel is preferred, since the chart's own light is on it. Without
        either only the gradient of light fitted at each disc corrects for unevenness.
    least_discs_frac
        Share of the discs found that must have a place, in at least one plane.

    Returns
    -------
    Trace
        One table for sharpness, fringing and distortion. It is poor with noise, discs under about 20 px across, and
        blur so wide that the light does not reach its levels on both sides of an edge. The whole disc is fitted then:
        its place is good, its MTF50 known to a few percent at best. Caveat `beyond_nyquist` where half the discs have
        an MTF50 over 0.5 cycles/pixel: few lenses do, sharpened or resampled files do. Caveat `unlike_edges` where most
        edges of a zone cannot be explained by a lens's blur.

    Raises
    ------
    Unmeasurable
        Too few discs could be placed, or all are blurred in one direction (vibration) in a shot without the shaker.
    """
    table = _fit_all(mosaic, fit, stand, panel or flat)
    placed = np.asarray(np.isfinite(table.centre_px).all(axis=2))
    good = placed.sum(axis=1) >= max(least_discs_frac * placed.shape[1], LEAST_DISCS)
    if not good.any():
        best = int(np.argmax(placed.sum(axis=1)))
        remedy = "check focus, exposure, and that nothing covers the chart"
        remedy = MOVED_TOO_FAR if mosaic.role in SHAKEN_ROLES else remedy
        raise Unmeasurable(
            f"only {placed[best].sum()} of {placed.shape[1]} discs could be placed in any plane (in "
            f"{mosaic.planes[best]}: {name_failures(table.ending[[best]], placed[best])}); {remedy}"
        )
    failed = [
        f"{plane} plane, no place: {reasons}"
        for plane, ending, has_place in zip(mosaic.planes, table.ending, placed, strict=True)
        if (reasons := name_failures(ending[None], has_place))
    ]
    beyond = is_beyond_nyquist(table.mtf50)
    if mosaic.role not in SHAKEN_ROLES:
        refuse_shake(table.blur_direction, table.mtf50, table.asymmetry, stand.shooting.shake_ratio)
    placed_everywhere = placed[good].all(axis=0)
    left_out = int((~placed_everywhere).sum())
    size_px = (fit.width_px, fit.height_px)
    unlike = (
        []
        if mosaic.role in NOT_JUDGED
        else unlike_places(table.misfit_frac, table.left_out_frac, fit.centre_px, size_px, stand.zones)
    )
    caveats = [name for name, holds in (("beyond_nyquist", beyond), ("unlike_edges", bool(unlike))) if holds]
    return Trace(
        shot=mosaic.shot,
        role=mosaic.role,
        sequence_count=mosaic.sequence_count,
        chart=fit.chart,
        width_px=fit.width_px,
        height_px=fit.height_px,
        planes=mosaic.planes,
        node=fit.node,
        is_mark=fit.is_mark,
        magnification_frac=fit.magnification_frac,
        rotation_deg=fit.rotation_deg,
        disc_count=int(placed_everywhere.sum()),
        left_out_count=fit.left_out_count + left_out,
        zones=stand.zones,
        caveats=tuple(caveats),
        notes=(
            *name_notes(mosaic.shot, failed, beyond=beyond, unlike=unlike),
            *note_whole(mosaic.shot, mosaic.planes, table),
        ),
        **table.columns(),
    )


def _fit_all(mosaic: Mosaic, fit: ChartFit, stand: Stand, field: FlatField | None) -> EdgeTable:
    """Fit all discs: prepare the inputs of `trace_table` and call it."""
    layout = next(use.layout for use in stand.charts if use.layout.name == fit.chart)
    return trace_table(
        mosaic,
        centre=fit.centre_px,
        maps=local_maps(fit.node, fit.centre_px, layout.pitch_mm),
        radius_px=fit.radius_px,
        limit_px=_limits(fit, layout),
        radial=image_radius(fit.centre_px, fit.width_px, fit.height_px).angle,
        gain=field_gain(field, mosaic.planes, fit.centre_px),
        pitch=2 * layout.pitch_mm / layout.disc_diameter_mm,
        solid=~_has_kind(fit.node, layout, "ring"),
        direction=direction_share(fit.centre_px, fit.radius_px, fit.width_px, fit.height_px),
    )


def _limits(fit: ChartFit, layout: ChartLayout) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return how far inside and outside its edge each disc's pixels may be used: (discs, 2), px."""
    rim = 0.55 * (1 - layout.ring_hole_diameter_mm / layout.disc_diameter_mm)
    inside = np.where(_has_kind(fit.node, layout, "ring"), rim, 0.85) * fit.radius_px
    return np.column_stack([inside, np.maximum(fit.clear_px - 1.0, 2.0)])


def _has_kind(
    node: np.ndarray[tuple[int, int], np.dtype[np.int64]], layout: ChartLayout, kind: str
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which nodes carry marks of a kind: (discs,)."""
    marks = {(mark.column, mark.row) for mark in layout.marks if mark.kind == kind}
    return np.array([(int(column), int(row)) in marks for column, row in node], dtype=bool)
