"""Trace the edges of every disc of a ramp shot."""

from __future__ import annotations

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.locate_ramp import choose_ramp
from glasswright_camera.chart.ramp import RampFit, RampTrace
from glasswright_camera.edges.kernel.geometry import local_maps
from glasswright_camera.edges.kernel.table import trace_table
from glasswright_camera.edges.trace_light import field_gain
from glasswright_camera.field import image_radius
from glasswright_camera.light.flat import FlatField
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import Fraction, RampLayout, Stand


@stage
def trace_ramp(
    mosaic: Mosaic, fit: RampFit, stand: Stand, flat: FlatField | None, *, least_discs_frac: Fraction = 0.4
) -> RampTrace:
    """Fit place, light and blur of each disc's edge on a ramp, at the undemosaiced pixels.

    Parameters
    ----------
    mosaic
        The ramp shot.
    fit
        The places of its discs.
    stand
        For the ramp's layout and angle.
    flat
        The field's evenness at this setting; without it only the gradient of light fitted at each disc corrects for
        unevenness.
    least_discs_frac
        Share of the discs found whose edges must be measured in every plane; far from focus discs may fail.

    Raises
    ------
    Unmeasurable
        The edges of too few discs could be measured.
    """
    use = choose_ramp(stand)
    middle = use.layout.rows // 2
    table = trace_table(
        mosaic,
        centre=fit.centre_px,
        maps=local_maps(fit.node, fit.centre_px, use.layout.pitch_mm),
        radius_px=fit.radius_px,
        limit_px=find_limits(fit, use.layout, use.angle_deg),
        radial=image_radius(fit.centre_px, fit.width_px, fit.height_px).angle,
        gain=field_gain(flat, mosaic.planes, fit.centre_px),
    )
    good = np.asarray(np.isfinite(table.mtf50).all(axis=(0, 2)))
    if good.sum() < least_discs_frac * len(good):
        raise Unmeasurable(
            f"only {good.sum()} of the ramp's {len(good)} discs have an edge that could be measured in every plane; "
            "check focus, exposure, and that nothing covers the board"
        )
    return RampTrace(
        shot=mosaic.shot,
        role=mosaic.role,
        sequence_count=mosaic.sequence_count,
        ramp=fit.chart,
        planes=mosaic.planes,
        node=fit.node,
        along_mm=np.asarray((middle - fit.node[:, 1]) * use.layout.pitch_mm, dtype=np.float64),
        mtf50=table.mtf50,
        mtf50_u=table.mtf50_u,
        magnification_frac=fit.magnification_frac,
        angle_deg=use.angle_deg,
        angle_deg_u=use.angle_deg_u,
        disc_count=int(good.sum()),
        left_out_count=fit.left_out_count + int((~good).sum()),
    )


def find_limits(
    fit: RampFit, layout: RampLayout, angle_deg: float
) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    """Return how far inside and outside its edge each disc's pixels may be used: (discs, 2), px.

    A disc is imaged as an ellipse; its minor semi-axis is the mean radius times the root of the angle's sine.
    """
    half = fit.radius_px * np.sqrt(np.sin(np.radians(angle_deg)))
    inside = 0.85 * half
    ring = {(mark.column, mark.row) for mark in layout.marks if mark.kind == "ring"}
    rim = 0.55 * (1 - layout.ring_hole_diameter_mm / layout.disc_diameter_mm)
    is_ring = np.array([tuple(int(part) for part in node) in ring for node in fit.node])
    inside[is_ring] = rim * half[is_ring]
    return np.column_stack([inside, np.maximum(fit.clear_px - 1.0, 2.0)])
