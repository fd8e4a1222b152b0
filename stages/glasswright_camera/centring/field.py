"""The softer side of the field, and coma in its middle."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from glasswright import Unmeasurable, format_count
from glasswright_camera.centring.vector import NOWHERE, Pointer, point_along
from glasswright_camera.edges.repeats import Repeats, main_plane
from glasswright_camera.field import image_radius, zone_members
from glasswright_camera.robust import robust_sigma

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

LEAST_DISCS = 12
"""Seven coefficients are fitted, and their uncertainties are from what is left."""


def field_basis(repeats: Repeats) -> Array:
    """Return 1, x, y and r^2 of the shared discs, in half-diagonals: (discs, 4)."""
    trace = repeats.traces[0]
    radius = image_radius(repeats.places(), trace.width_px, trace.height_px)
    place = radius.unit * radius.fraction[:, None]
    return np.column_stack([np.ones(len(place)), place, radius.fraction**2])


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldShape:
    """MTF50 over the field, relative to the centre's, as shot."""

    side: Pointer
    """The softer side, and the fall over one half-diagonal."""
    band: Pointer
    """Direction, 0 to 180 degrees, of the two opposite sides that are softer than the other two, and their difference
    in the corners."""
    bowl: float
    """Corner less centre, the rotationally symmetric part."""
    bowl_u: float


def find_shape(repeats: Repeats) -> FieldShape:
    """Fit a slope, a band and a bowl to the discs' MTF50.

    A tilted surface of focus through the middle makes both sides equally soft: not a slope but a sharp band. A sound
    lens has a bowl too. Uncertainties are from the discs' scatter about the fit.

    Raises
    ------
    Unmeasurable
        With fewer than 12 discs.
    """
    if len(repeats.node) < LEAST_DISCS:
        raise Unmeasurable(
            f"only {format_count(len(repeats.node), 'disc')} with an edge in all shots; {LEAST_DISCS} are needed"
        )
    value = repeats.stack(lambda trace: trace.mtf50)[:, main_plane(repeats.traces[0])].mean(axis=(0, 2))
    middle, x, y, square = field_basis(repeats).T
    # without the fourth power a steep bowl in a 3:2 frame would be fitted as a band
    basis = np.column_stack([middle, x, y, x**2 - y**2, 2 * x * y, square, square**2])
    weight, covariance = fit_least_squares(basis, value)
    relative, relative_covariance = weight / weight[0], covariance / weight[0] ** 2
    band = point_along(-relative[3:5], relative_covariance[3:5, 3:5])
    return FieldShape(
        side=point_along(-relative[1:3], relative_covariance[1:3, 1:3]),
        band=replace(band, deg=band.deg / 2, deg_u=band.deg_u / 2),
        bowl=float(relative[5:].sum()),
        bowl_u=float(np.sqrt(relative_covariance[5:, 5:].sum())),
    )


def fit_least_squares(basis: Array, value: Array) -> tuple[Array, Array]:
    """Fit by least squares without outliers; return coefficients and their covariance from the residuals."""
    kept = np.ones(len(value), dtype=bool)
    for _ in range(2):
        weight = np.linalg.lstsq(basis[kept], value[kept], rcond=None)[0]
        off = np.abs(basis @ weight - value)
        kept = off <= 5 * max(robust_sigma(off, about=0.0), 1e-12)
    weight = np.linalg.lstsq(basis[kept], value[kept], rcond=None)[0]
    residual = basis[kept] @ weight - value[kept]
    freedom = max(int(kept.sum()) - basis.shape[1], 1)
    covariance = np.linalg.inv(basis[kept].T @ basis[kept]) * float(residual @ residual) / freedom
    return np.asarray(weight, dtype=np.float64), np.asarray(covariance, dtype=np.float64)


def find_coma(repeats: Repeats, stand: Stand) -> Pointer:
    """Return the mean asymmetry of the centre zone's discs over all planes; coma that grows with the field cancels.

    The uncertainty is the larger of those from pixel noise and from the discs' scatter.
    """
    trace = repeats.traces[0]
    inside = zone_members(repeats.places(), trace.width_px, trace.height_px, stand.zones)["centre"]
    if not inside.any():
        return NOWHERE
    value = repeats.stack(lambda t: t.asymmetry)[:, :, inside]
    noise = repeats.stack(lambda t: t.asymmetry_u)[:, :, inside]
    # discs fitted as a whole, or not measured in all planes, are left out
    known = np.isfinite(value).all(axis=(0, 1, 3))
    if not known.any():
        return NOWHERE
    value, noise = value[:, :, known].mean(axis=(0, 1)), noise[:, :, known]
    count = len(value)
    variance = (noise**2).sum(axis=(0, 1, 2)) / (noise.shape[0] * noise.shape[1] * count) ** 2
    if count > 2:
        variance = np.maximum(variance, value.var(axis=0, ddof=1) / count)
    return point_along(value.mean(axis=0), np.diag(variance))
