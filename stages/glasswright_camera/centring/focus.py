"""The surface of best focus from a focus series: a plane and a bowl, and what of the tilt is the lens's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright import Unmeasurable
from glasswright_camera.centring.field import LEAST_DISCS, field_basis, fit_least_squares
from glasswright_camera.edges.repeats import main_name, main_plane, shared_discs
from glasswright_camera.sharpness.focus_curve import LEAST_STEPS, focus_curve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.distortion.result import Distortion
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

ARCMIN: Final = 180 / np.pi * 60
NOT_SEPARABLE: Final = "not separable"


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """How far behind the sensor the focus lies over the field, in steps of the series: slopes for a half-diagonal
    along x and y, and the bowl; with covariances."""

    slope: Array
    slope_covariance: Array
    bowl: float
    bowl_u: float
    discs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """A tilt in arc minutes along x and y, its covariance, and of what it is."""

    arcmin: Array
    covariance: Array
    of: str


def find_surface(series: tuple[Trace, ...]) -> Surface:
    """Find each disc's best focus, and fit a plane and a bowl.

    A disc that is sharpest late in the series had its focus before the sensor: the steps move the focus backwards.
    Discs whose best focus lies outside the series are left out.

    Raises
    ------
    Unmeasurable
        Fewer than five steps, or fewer than 12 discs that pass through focus.
    """
    series = tuple(sorted(series, key=lambda trace: trace.sequence_count))
    if len(series) < LEAST_STEPS:
        raise Unmeasurable(f"the focus series has {len(series)} steps that can be used; {LEAST_STEPS} are needed")
    repeats = shared_discs(series, [main_name(series[0])])
    step = np.array([trace.sequence_count for trace in series], dtype=np.float64)
    plane = main_plane(series[0])
    value = repeats.stack(lambda t: t.mtf50)[:, plane]
    value_u = repeats.stack(lambda t: t.mtf50_u)[:, plane]
    blur = (1 / value**2).mean(axis=2)
    blur_u = np.sqrt(((2 * value_u / value**3) ** 2).sum(axis=2)) / 2
    best = np.full(len(repeats.node), np.nan)
    for disc in range(len(best)):
        curve = focus_curve(step, blur[:, disc], blur_u[:, disc])
        if curve.weight[2] > 0 and step.min() < curve.vertex < step.max():
            best[disc] = curve.vertex
    found = np.isfinite(best)
    if found.sum() < LEAST_DISCS:
        raise Unmeasurable(
            f"only {found.sum()} of {len(best)} discs pass through best focus in the series; {LEAST_DISCS} are needed: "
            "shoot it with more steps"
        )
    weight, covariance = fit_least_squares(field_basis(repeats)[found], -best[found])
    return Surface(
        slope=weight[1:3],
        slope_covariance=covariance[1:3, 1:3],
        bowl=float(weight[3]),
        bowl_u=float(np.sqrt(covariance[3, 3])),
        discs=int(found.sum()),
    )


def find_step_um(stand: Stand, f_number: float | None) -> float:
    """Give the size of a focus step at the sensor; NaN where the stand does not know it."""
    step = stand.focus_step
    if step is None or (step.per_square_f_number and f_number is None):
        return float("nan")
    return step.um * (f_number or 1.0) ** 2 if step.per_square_f_number else step.um


def find_tilt(surface: Surface, trace: Trace, step_um: float, distortion: Distortion | None, stand: Stand) -> Tilt:
    """Turn the slope into angles, and take off what chart and body make of it.

    A chart tilted by an angle has an image tilted by the magnification times it (Scheimpflug's rule for small angles):
    what is nearer is sharp farther behind. The body's part is the reference lens's tilt, from the stand file.
    """
    half_um = np.hypot(trace.width_px, trace.height_px) / 2 * stand.sensor.pixel_pitch_um
    scale = step_um / half_um * ARCMIN
    arcmin, covariance = surface.slope * scale, surface.slope_covariance * scale**2
    chart, chart_u = _image_of_chart(distortion, trace.magnification_frac)
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
    """Give the tilt of the chart's image along x and y in arc minutes, and its uncertainty; NaN if unknown."""
    if distortion is None:
        return np.full(2, np.nan), np.full(2, np.nan)
    scale = 60 * magnification_frac
    # the right edge nearer: its image lies farther behind; the lower edge farther away: before
    tilt = np.array([distortion.pose_tilt_y_deg, -distortion.pose_tilt_x_deg]) * scale
    return tilt, np.array([distortion.pose_tilt_y_deg_u, distortion.pose_tilt_x_deg_u]) * scale
