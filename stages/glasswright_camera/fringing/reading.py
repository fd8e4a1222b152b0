"""Displacements of colour planes from disc centres, and the fringe's width from edge profiles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.extremes import extreme_u
from glasswright_camera.field import CORNERS, image_radius, zone_members
from glasswright_camera.fringing.result import Displacement

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_camera.edges.repeats import Repeats
    from glasswright_camera.edges.trace import Trace
    from glasswright_camera.stand import Stand

    Array = NDArray[np.float64]

FIELD_DEGREES: Final = {0: 4, 1: 12, 2: 24, 3: 40}
"""Degree of the smooth field of displacements -> discs needed, four for each coefficient of a component. The field fits
a lateral colour in r^5 to 2 % of its mean."""


def in_corners(place_px: Array, trace: Trace, stand: Stand) -> NDArray[np.bool_]:
    """Return which discs lie in a corner zone."""
    members = zone_members(place_px, trace.width_px, trace.height_px, stand.zones)
    return np.asarray(np.any([members[corner] for corner in CORNERS], axis=0))


def displacement_u(repeats: Repeats, plane: int, green: int) -> Array:
    """Return the standard uncertainty of each displacement of a plane from green: (traces, discs, 2), px.

    What the two planes of a disc have alike cancels: see `Trace.covariance_px2`.
    """
    own_u, common = repeats.stack(lambda t: t.centre_u_px), repeats.stack(lambda t: t.covariance_px2)
    square = own_u[:, plane] ** 2 + own_u[:, green] ** 2 - 2 * common[:, plane]
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def displacement(shift: Array, shift_u: Array, place_px: Array, trace: Trace, stand: Stand) -> Displacement:
    """Split displacements into uniform, radial and tangential parts.

    Parameters
    ----------
    shift, shift_u
        (discs, 2): displacement and its standard uncertainty, px.
    place_px
        (discs, 2): green centres.
    trace, stand
        For the frame's size, the corner zones and the pixel pitch.
    """
    count = len(shift)
    radius = image_radius(place_px, trace.width_px, trace.height_px)
    uniform = _uniform_part(shift, radius.unit * radius.fraction[:, None])
    uniform_u = np.sqrt((shift_u**2).sum(axis=0)) / count
    rest = shift - uniform
    radial = (rest * radius.unit).sum(axis=1)
    tangent = np.column_stack([-radius.unit[:, 1], radius.unit[:, 0]])
    tangential = (rest * tangent).sum(axis=1)
    each_u = np.sqrt((shift_u**2).mean(axis=1))
    # the square of a measured length includes that of its noise
    length = np.sqrt(np.maximum((shift**2).sum(axis=1) - (shift_u**2).sum(axis=1), 0.0))
    mean, mean_u = mean_length(shift, shift_u, place_px)
    worst, turned = int(np.argmax(length)), int(np.argmax(np.abs(tangential)))
    worst_u, turned_u = extreme_u(length, each_u, worst), extreme_u(np.abs(tangential), each_u, turned)
    corner = in_corners(place_px, trace, stand)
    corners = int(corner.sum())
    corner_radial = float(radial[corner].mean()) if corners else np.nan
    corner_radial_u = float(np.sqrt((each_u[corner] ** 2).sum()) / corners) if corners else np.nan
    pitch, height = stand.sensor.pixel_pitch_um, trace.height_px
    return Displacement(
        worst_px=float(length[worst]),
        worst_px_u=worst_u,
        mean_px=mean,
        mean_px_u=mean_u,
        worst_um=float(length[worst] * pitch),
        worst_um_u=worst_u * pitch,
        worst_pct=float(length[worst] / height * 100),
        worst_pct_u=worst_u / height * 100,
        corner_radial_px=corner_radial,
        corner_radial_px_u=corner_radial_u,
        corner_radial_pct=corner_radial / height * 100,
        corner_radial_pct_u=corner_radial_u / height * 100,
        worst_tangential_px=float(abs(tangential[turned])),
        worst_tangential_px_u=turned_u,
        uniform_x_px=float(uniform[0]),
        uniform_x_px_u=float(uniform_u[0]),
        uniform_y_px=float(uniform[1]),
        uniform_y_px_u=float(uniform_u[1]),
    )


def mean_length(shift: Array, shift_u: Array, place_px: Array) -> tuple[float, float]:
    """Return the mean length of displacements and its standard uncertainty, px, without the bias from noise.

    Lengths are never negative, so without any displacement their mean would be 1.25 times the noise of one disc (Rice
    1944). Therefore each displacement is projected onto the direction, at its place, of a smooth field through all
    others; noise then averages out. Where that direction is itself noise, the projection is too short by up to the
    field's own noise, which the uncertainty includes.

    Parameters
    ----------
    shift, shift_u
        (discs, 2): displacement and its standard uncertainty, px.
    place_px
        (discs, 2): where the discs lie, px.
    """
    count = len(shift)
    degree = max((degree for degree, least in FIELD_DEGREES.items() if count >= least), default=None)
    if degree is None:
        return float(np.linalg.norm(shift, axis=1).mean()), float(np.sqrt((shift_u**2).sum() / 2) / count)
    x, y = ((place_px - place_px.mean(axis=0)) / np.ptp(place_px, axis=0).max()).T
    basis = np.column_stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])
    smoother = basis @ np.linalg.pinv(basis)
    own = np.diag(smoother)[:, None]
    others = (smoother @ shift - own * shift) / (1 - own)
    size = np.linalg.norm(others, axis=1)
    noise = np.sqrt((shift_u**2).mean(axis=1) * (own / (1 - own))[:, 0])
    mean = float(np.divide((shift * others).sum(axis=1), size, out=np.zeros(count), where=size > 0).mean())
    shortened = np.minimum(noise, noise**2 / (2 * np.maximum(size, 1e-12))).mean()
    return max(mean, 0.0), float(np.hypot(np.sqrt((shift_u**2).sum() / 2) / count, shortened))


def _uniform_part(shift: Array, place: Array) -> Array:
    """Return the uniform shift, (2,), fitted together with radial terms in r and r^3."""
    square = (place**2).sum(axis=1, keepdims=True)
    rows = []
    for axis in range(2):
        one = np.zeros_like(place)
        one[:, axis] = 1.0
        rows.append(one.ravel())
    basis = np.column_stack([*rows, place.ravel(), (place * square).ravel()])
    weight = np.linalg.lstsq(basis, shift.ravel(), rcond=None)[0]
    return np.asarray(weight[:2])


def fringe_width(repeats: Repeats, centre: Array, stand: Stand) -> tuple[float, float]:
    """Return the width of the fringe at tangential edges of the corner zones, px, and its standard error.

    It is the integral of the absolute difference between two planes' edge profiles, each moved by the plane's radial
    displacement; the mean of a disc's outer and inner edge.
    """
    trace = repeats.traces[0]
    planes = trace.planes
    green = planes.index("green")
    corner = in_corners(centre[green], trace, stand)
    if not corner.any():
        return np.nan, np.nan
    distance = trace.distance_px
    profile = _mean_known(repeats.stack(lambda t: np.asarray(t.profile, dtype=np.float64)))[:, corner, 1]
    unit = image_radius(centre[green], trace.width_px, trace.height_px).unit[corner]
    step = distance[1] - distance[0]
    widths = []
    for name in ("red", "blue"):
        plane = planes.index(name)
        shift = ((centre[plane] - centre[green])[corner] * unit).sum(axis=1)
        rows = []
        for k in range(len(shift)):
            own, base = _filled(profile[plane, k], distance), _filled(profile[green, k], distance)
            sides = [
                np.abs(np.interp(distance, distance + side * shift[k], own) - base).sum() * step for side in (-1.0, 1.0)
            ]
            rows.append(np.mean(sides))
        widths.append(rows)
    each = np.array(widths)
    wider = each[int(np.argmax(each.mean(axis=1)))]
    return float(wider.mean()), float(wider.std(ddof=1) / np.sqrt(len(wider))) if len(wider) > 1 else np.nan


def _filled(profile: Array, distance: Array) -> Array:
    """Return the profile with gaps interpolated."""
    known = np.isfinite(profile)
    return np.asarray(np.interp(distance, distance[known], profile[known]))


def _mean_known(stack: Array) -> Array:
    """Return the mean over axis 0 of finite values; NaN where there are none."""
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))
