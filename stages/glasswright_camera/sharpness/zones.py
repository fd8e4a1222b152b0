"""MTF50 of the field's zones, each evaluated at one stated place.

A lattice that fills less of the frame has its outermost discs nearer the middle, where a lens is sharper. Each disc's
MTF50 is therefore moved to the zone's place with a smooth surface fitted over the field, and the results are averaged
over the zone's discs. Local faults that the surface does not fit still count.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from glasswright_camera.field import CORNERS, ImageRadius, image_radius, zone_members

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from glasswright_camera.edges.repeats import Repeats
    from glasswright_camera.sharpness.print_division import Divided
    from glasswright_camera.stand import Zones

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

ZONES: Final = ("centre", "mid", *CORNERS)
SURFACES: Final = ((4, 40), (2, 12), (0, 1))
"""Order of the surface, and the fewest discs for it. That of the fourth order has a term in r^6 as well."""
MOST_UNKNOWN: Final = 0.5
AT_A_DISC: Final = 0.02
"""Half-diagonals: a place this near to a disc counts as reached even if no discs surround it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZonePlace:
    """One zone of a set of discs."""

    members: Mask
    """(discs,)."""
    aims: Array
    """(members, 2): the place to which each disc's MTF50 is moved, in half-diagonals from the image centre."""
    is_reached: bool
    """Whether discs lie on all sides of the place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneReading:
    """Arrays over (..., zones, 2), sagittal and tangential; NaN where a zone was not measured."""

    value: Array
    value_u: Array
    """Standard uncertainty from pixel noise."""
    print_u: Array
    """Standard uncertainty from that of the print's transfer function; common to all discs and shots."""
    discs: NDArray[np.int64]
    """(planes, zones)."""


def find_places(radius: ImageRadius, members: Mapping[str, Mask], half: Array, zones: Zones) -> dict[str, ZonePlace]:
    """Return the place at which each zone is evaluated.

    Parameters
    ----------
    radius
        Image radius of the measured discs.
    members
        Which of them lie in each zone.
    half
        Half the frame's width and height, in half-diagonals.
    """
    place = radius.unit * radius.fraction[:, None]
    found = {}
    for zone in ZONES:
        inside = members[zone]
        if zone == "mid":
            # each disc moves along its own radius, so that the ring is averaged over all directions
            aims = radius.unit[inside] * zones.mid_at_frac
            fraction = radius.fraction[inside]
            reached = bool(inside.any() and fraction.min() <= zones.mid_at_frac <= fraction.max())
        else:
            side = np.array([1.0 if "right" in zone else -1.0, 1.0 if "lower" in zone else -1.0])
            aim = half * side * (0.0 if zone == "centre" else zones.corner_at_frac)
            aims = np.broadcast_to(aim, (int(inside.sum()), 2))
            reached = _is_surrounded(aim, place)
        found[zone] = ZonePlace(members=inside, aims=aims, is_reached=reached)
    return found


def _is_surrounded(aim: Array, place: Array) -> bool:
    """Return whether discs lie on all sides of a point, or one lies at it."""
    offset = place - aim
    if not len(place) or np.hypot(*offset.T).min() <= AT_A_DISC:
        return bool(len(place))
    turn = np.sort(np.arctan2(offset[:, 1], offset[:, 0]))
    return bool(np.diff(turn, append=turn[0] + 2 * np.pi).max() < np.pi)


def read_zones(repeats: Repeats, zones: Zones, least: int, divided: Divided | None = None) -> ZoneReading:
    """Return MTF50 of each zone in each trace: arrays over (traces, planes, zones, 2).

    It is without the print's own blur if `divided` has the discs' MTF50 without it. A zone is NaN if it has fewer than
    `least` discs, if the lattice does not reach it, or if MOST_UNKNOWN or more of a plane's discs have no MTF50: the
    others would be the sharper ones.
    """
    if divided is None:
        value, value_u = repeats.stack(lambda t: t.mtf50), repeats.stack(lambda t: t.mtf50_u)
        print_u = np.zeros_like(value)
    else:
        value, value_u, print_u = divided.value, divided.value_u, divided.print_u
    known = np.asarray((np.isfinite(value) & np.isfinite(value_u)).all(axis=(0, 3)))
    placed = np.asarray(np.isfinite(repeats.stack(lambda t: t.centre_px)).all(axis=(0, 3)))
    trace = repeats.traces[0]
    size = trace.width_px, trace.height_px
    centre = repeats.places()
    members = zone_members(centre, *size, zones)
    radius = image_radius(centre, *size)
    half = np.array(size) / np.hypot(*size)
    shape = (*value.shape[:2], len(ZONES), 2)
    mean, mean_u, shared_u = (np.full(shape, np.nan) for _ in range(3))
    discs = np.zeros(shape[1:3], dtype=np.int64)
    for plane, mask in enumerate(known):
        here = ImageRadius(fraction=radius.fraction[mask], angle=radius.angle[mask], unit=radius.unit[mask])
        places = find_places(here, {zone: inside[mask] for zone, inside in members.items()}, half, zones)
        least_discs = [max(least, 1, MOST_UNKNOWN * (placed[plane] & members[zone]).sum()) for zone in ZONES]
        found, found_u = _read_plane(value[:, plane, mask], value_u[:, plane, mask], here, places, least_discs)
        mean[:, plane], mean_u[:, plane] = found, found_u
        discs[plane] = [places[zone].members.sum() for zone in ZONES]
        for index, zone in enumerate(ZONES):
            if places[zone].members.any():
                relative = (print_u / value)[:, plane, mask][:, places[zone].members]
                shared_u[:, plane, index] = mean[:, plane, index] * relative.mean(axis=1)
    return ZoneReading(value=mean, value_u=mean_u, print_u=shared_u, discs=discs)


def _read_plane(
    value: Array, value_u: Array, radius: ImageRadius, places: Mapping[str, ZonePlace], least: Sequence[float]
) -> tuple[Array, Array]:
    """Return MTF50 of one plane's zones and its uncertainty, (traces, zones, 2), from (traces, discs, 2)."""
    mean, mean_u = (np.full((len(value), len(ZONES), 2), np.nan) for _ in range(2))
    order = next((order for order, need in SURFACES if len(radius.fraction) >= need), 0)
    basis = _list_powers(radius.unit * radius.fraction[:, None], order)
    solve = np.linalg.pinv(basis)
    # the square of a blur's width is smoother over the field than MTF50
    surface = np.einsum("bd,tds->tbs", solve, value**-2.0)
    for index, zone in enumerate(ZONES):
        place = places[zone]
        count = int(place.members.sum())
        if count < least[index] or not place.is_reached:
            continue
        there, here = _list_powers(place.aims, order), basis[place.members]
        carried = _to_mtf50(there, surface) - _to_mtf50(here, surface)
        mean[:, index] = (value[:, place.members] + carried).mean(axis=1)
        weight = (there - here).mean(axis=0) @ solve
        weight[place.members] += 1 / count
        mean_u[:, index] = np.sqrt(np.einsum("d,tds->ts", weight**2, value_u**2))
    return mean, mean_u


def _list_powers(place: Array, order: int) -> Array:
    x, y = place.T
    powers = [x**i * y**j for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack([*powers, *([(x**2 + y**2) ** 3] if order == SURFACES[0][0] else [])], axis=1)


def _to_mtf50(basis: Array, surface: Array) -> Array:
    """Evaluate the surface: (traces, places, 2)."""
    blur = np.einsum("db,tbs->tds", basis, surface)
    return np.asarray(np.maximum(blur, 0.5) ** -0.5)


def zone_heights(zones: Zones) -> dict[str, float]:
    """Return the image height at which each zone is evaluated, in half-diagonals."""
    return {"centre": 0.0, "mid": zones.mid_at_frac, **dict.fromkeys(CORNERS, zones.corner_at_frac)}


def lattice_fill(repeats: Repeats) -> float:
    """Return the share of the frame's width or height, the smaller, that the discs' centres span."""
    trace = repeats.traces[0]
    return float((np.ptp(repeats.places(), axis=0) / (trace.width_px, trace.height_px)).min())
