"""Trace the straight slanted edges of a chart shot."""

from __future__ import annotations

import numpy as np

from glasswright import Unmeasurable, stage
from glasswright_camera.chart.chart_fit import ChartFit
from glasswright_camera.edges.kernel.reading import FREQUENCY
from glasswright_camera.edges.slanted.places import place_edges
from glasswright_camera.edges.slanted.result import SlantedEdges
from glasswright_camera.edges.slanted.table import trace_strips
from glasswright_camera.edges.trace_notes import name_failures
from glasswright_camera.field import image_radius
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import Stand


@stage
def trace_slanted_edges(mosaic: Mosaic, fit: ChartFit, stand: Stand) -> SlantedEdges:
    """Fit the blur across each side of the chart's edge features, in each colour plane.

    The quantity is that of ISO 12233's slanted edge, measured by the same model fit as the discs'. It has no fixed
    bins, no window and no derivative, and needs none of their corrections.

    Parameters
    ----------
    mosaic
        The chart shot.
    fit
        The places of its discs, from which the features around them are placed.
    stand
        For the print's layout.

    Returns
    -------
    SlantedEdges
        It is poor for an edge along a row or column of pixels, a short edge, or one less than four times 1/MTF50 from
        the next feature.

    Raises
    ------
    Unmeasurable
        The layout has no edge features, or none could be measured.
    """
    layout = next(use.layout for use in stand.charts if use.layout.name == fit.chart)
    if not layout.edges:
        raise Unmeasurable(f"the layout {layout.name} has no `edges`; list them there, or leave this stage out")
    places = place_edges(layout, fit)
    if not len(places.feature):
        raise Unmeasurable(f"none of the {len(layout.edges)} edge features of {layout.name} lies within the frame")
    table = trace_strips(
        mosaic,
        middle=places.middle,
        normal=places.normal,
        half_length_px=places.half_length_px,
        inside_px=places.inside_px,
        outside_px=places.outside_px,
    )
    good = np.asarray(np.isfinite(table.mtf50).all(axis=0))
    failed = name_failures(table.ending, good, "edge")
    if not good.any():
        raise Unmeasurable(f"none of {len(good)} slanted edges was measured in every plane ({failed})")
    normal_angle = np.arctan2(places.normal[:, 1], places.normal[:, 0])
    turned = normal_angle - image_radius(places.middle, fit.width_px, fit.height_px).angle
    return SlantedEdges(
        shot=mosaic.shot,
        chart=fit.chart,
        planes=mosaic.planes,
        feature=places.feature,
        middle_px=places.middle + table.shift_px[..., :1] * places.normal,
        normal_angle=normal_angle,
        radial_angle=np.arccos(np.clip(np.abs(np.cos(turned)), 0.0, 1.0)),
        mtf50=table.mtf50,
        mtf50_u=table.mtf50_u,
        frequency=FREQUENCY,
        mtf=table.mtf,
        edge_count=int(good.sum()),
        notes=(f"{mosaic.shot}: not measured: {failed}",) if failed else (),
    )
