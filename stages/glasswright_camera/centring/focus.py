"""The surface of best focus from a focus series: plane and curvature, and the lens's own part of the tilt."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.centring.field import LEAST_DISCS, fit_least_squares
from glasswright_camera.field import image_radius
from glasswright_camera.print_edge import find_layout

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.distortion.result import Distortion
    from glasswright_camera.sharpness.result import BestFocus
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

ARCMIN: Final = 180 / np.pi * 60
NOT_SEPARABLE: Final = "not separable"

Known = tuple[float, float]
"""A value and its standard uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """Distance of the focus behind the sensor over the field, in steps of the series.

    A plane, with slopes per half-diagonal along x and y, and the rotationally symmetric part ``a r^2 + b r^4``, given
    at r = 1, the corner of the frame.
    """

    slope: Array
    slope_covariance: Array
    medial: Known
    sagittal: Known
    tangential: Known
    apart: Known
    """Tangential less sagittal."""
    discs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """A tilt in arc minutes along x and y, its covariance, and whose it is."""

    arcmin: Array
    covariance: Array
    of: str


def find_surface(focus: BestFocus) -> Surface:
    """Fit a plane and its curvature to the discs' best focus.

    Discs whose sagittal or tangential focus lies outside the series are left out.

    Raises
    ------
    Unmeasurable
        Fewer than 12 discs that pass through focus.
    """
    behind = focus.behind_steps
    found = np.isfinite(behind).all(axis=1)
    if found.sum() < LEAST_DISCS:
        raise Unmeasurable(
            f"only {found.sum()} of {len(behind)} discs pass through best focus in the series; {LEAST_DISCS} are "
            "needed: shoot it with more steps"
        )
    radius = image_radius(focus.place_px[found], focus.width_px, focus.height_px)
    place, square = radius.unit * radius.fraction[:, None], radius.fraction**2
    basis = np.column_stack([np.ones(len(place)), place, square, square**2])
    sagittal, tangential = behind[found].T
    weight, covariance = fit_least_squares(basis, (sagittal + tangential) / 2)

    # discs at one height pass through focus between the same two steps, and share what the curve there is off by: more
    # near the ends of the series than in its middle
    own_u = np.nanmean(focus.behind_steps_u[found], axis=1)
    ends = np.quantile(radius.fraction, (0.5, 0.75))
    inner_u, outer_u = np.median(own_u[radius.fraction <= ends[0]]), np.median(own_u[radius.fraction >= ends[1]])
    common_u = float(np.sqrt(max(outer_u**2 - inner_u**2, 0.0)))

    def at_corner(value: Array, common_u: float = common_u) -> Known:
        weight, covariance = fit_least_squares(basis, value)
        return float(weight[3:].sum()), float(np.hypot(np.sqrt(covariance[3:, 3:].sum()), common_u))

    return Surface(
        slope=weight[1:3],
        slope_covariance=covariance[1:3, 1:3],
        medial=at_corner((sagittal + tangential) / 2),
        sagittal=at_corner(sagittal),
        tangential=at_corner(tangential),
        apart=at_corner(tangential - sagittal, 0.0),
        discs=int(found.sum()),
    )


def flatten_chart(focus: BestFocus, stand: Stand) -> BestFocus:
    """Return the best focus as of a flat chart; unchanged if the chart's heights or the step's size are not known.

    A disc that is farther away by a height h has its image nearer to the lens by m^2 h (m the magnification).
    """
    layout = find_layout(stand, focus.chart)
    step_um, _ = stand.focus_step_um(focus.setting)
    if layout is None or not layout.nodes_mm or not np.isfinite(step_um):
        return focus
    height = np.array(layout.nodes_mm)[focus.node[:, 1] * layout.columns + focus.node[:, 0], 2]
    before = 1000 * focus.magnification_frac**2 * height / step_um
    return replace(focus, behind_steps=focus.behind_steps + before[:, None])


def find_tilt(surface: Surface, focus: BestFocus, distortion: Distortion | None, stand: Stand) -> Tilt:
    """Return the slope as angles, less the parts of chart and body.

    The image of a tilted chart is tilted by the magnification times the chart's angle (Scheimpflug's rule for small
    angles); nearer parts are in focus farther behind. The body's part is the reference lens's tilt, from the stand
    file."""
    half_um = np.hypot(focus.width_px, focus.height_px) / 2 * stand.sensor.pixel_pitch_um
    step_um, step_u = stand.focus_step_um(focus.setting)
    scale = step_um / half_um * ARCMIN
    arcmin, covariance = surface.slope * scale, surface.slope_covariance * scale**2
    covariance = covariance + np.outer(arcmin, arcmin) * (step_u / step_um) ** 2
    chart, chart_u = _image_of_chart(distortion, focus.magnification_frac)
    of = "lens and body"
    if not np.isfinite(chart).all():
        return Tilt(arcmin=arcmin, covariance=covariance, of=NOT_SEPARABLE)
    arcmin, covariance = arcmin - chart, covariance + np.diag(chart_u**2)
    body = stand.reference_tilt
    if body is not None:
        arcmin = arcmin - np.array([body.x_arcmin, body.y_arcmin])
        covariance = covariance + np.diag([body.x_arcmin_u**2, body.y_arcmin_u**2])
        of = "lens"
    if distortion is not None and "pose_not_separable" in distortion.caveats:
        of = NOT_SEPARABLE
    return Tilt(arcmin=arcmin, covariance=covariance, of=of)


def _image_of_chart(distortion: Distortion | None, magnification_frac: float) -> tuple[Array, Array]:
    """Return the tilt of the chart's image along x and y in arc minutes, and its uncertainty; NaN if unknown."""
    if distortion is None:
        return np.full(2, np.nan), np.full(2, np.nan)
    scale = 60 * magnification_frac
    # where the chart is nearer its image lies farther behind
    tilt = np.array([distortion.pose_tilt_y_deg, -distortion.pose_tilt_x_deg]) * scale
    return tilt, np.array([distortion.pose_tilt_y_deg_u, distortion.pose_tilt_x_deg_u]) * scale
