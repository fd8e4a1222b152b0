"""What throws a shadow, from how its width runs with the f-number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from glasswright_camera.spots.result import SpotMap

    Array = NDArray[np.float64]

WIDTH_MODEL_U: Final = 0.03
"""Relative: shadows are no exact plateaus, and diffraction softens the small ones."""
DEPTH_MODEL_U, DEPTH_FIELD_U = 0.005, 1e-4
"""Relative, and of the light: the shadow's form, and what the smooth field gives way. Found on rehearsed motes from 10
to 350 pixels wide; the tests score it on others."""
WIDEST_READ: Final = 0.2
"""Of the frame's width: a shadow that would be wider at a lower f-number is not read there."""
LEAST_OPAQUE: Final = 0.2
"""Light that a thing blocks at the least, of what falls on it, when one aperture has to tell its distance."""
ALIKE: Final = 1.6
"""Ratio within which the widths lie that one thing, taken as opaque, has by its shadows at two f-numbers."""
SURE: Final = 2.0
"""Standard uncertainties by which a thing must lie on one side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """One shadow in one shot. Pixels."""

    place: Array
    f_number: float
    size: float
    size_u: float
    depth: float
    depth_u: float
    length_ratio: float
    rim: float = float("nan")
    """Width of the slope at the border."""

    def opaque(self, blocked: float = 1.0) -> tuple[float, float]:
        """Return width and distance of a thing that blocks so much of the light that falls on it.

        The middle of the shadow has then lost ``blocked (d N / t)^2``, at most `blocked`.
        """
        root = float(np.sqrt(min(self.depth / blocked, 1.0)))
        return self.size * root / (1 + root), self.f_number * self.size / (1 + root)


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The thing: its width and its distance from the sensor, in pixels, and uncertainties; NaN where not known."""

    thing: float
    distance: float
    distance_u: float


def list_sightings(spots: SpotMap) -> list[Sighting]:
    """Return the spots of a map one by one."""
    return [
        Sighting(
            place=spots.place_px[k],
            f_number=spots.f_number,
            size=float(spots.size_px[k]),
            size_u=float(np.hypot(spots.size_u_px[k], WIDTH_MODEL_U * spots.size_px[k])),
            depth=float(spots.depth[k]),
            depth_u=_doubt_depth(float(spots.depth[k]), float(spots.depth_u[k])),
            length_ratio=float(spots.length_ratio[k]),
            rim=float(spots.rim_px[k]),
        )
        for k in range(len(spots.size_px))
    ]


def _doubt_depth(depth: float, noise_u: float) -> float:
    """Return a depth's uncertainty: noise, the shadow's form, what the smooth field gives way."""
    return float(np.sqrt(noise_u**2 + (DEPTH_MODEL_U * depth) ** 2 + DEPTH_FIELD_U**2))


def gather_sightings(maps: Sequence[SpotMap]) -> list[list[Sighting]]:
    """Put shadows of one thing together, sharpest first.

    A shadow is sharpest and deepest at the highest f-number, so a thing is one that shows there; what shows only at a
    lower one is no shadow of anything in the light's way. Opened up, the shadow stays in its place and widens.
    """
    # a shot whose f-number nobody knows comes last
    ordered = sorted(maps, key=lambda each: -np.nan_to_num(each.f_number))
    highest = float(np.nan_to_num(ordered[0].f_number))
    things: list[list[Sighting]] = []
    for each in ordered:
        for sighting in list_sightings(each):
            home = _find_home(things, sighting, WIDEST_READ * each.width_px)
            if home is not None:
                home.append(sighting)
            elif np.nan_to_num(each.f_number) == highest:
                things.append([sighting])
    return things


def _find_home(things: list[list[Sighting]], sighting: Sighting, widest: float) -> list[Sighting] | None:
    """Return the thing that a shadow belongs to: within half its own width, and no narrower than at a higher f-number.

    Where the thing's shadow must have grown too wide to be told from the field, what is seen is no reading of it.
    """
    nearest, least = None, np.inf
    for thing in things:
        first = thing[0]
        away = float(np.hypot(*(sighting.place - first.place)))
        narrower = first.size - sighting.size > 3 * np.hypot(first.size_u, sighting.size_u)
        # the light that a thing takes in all is the same at every f-number
        alike = 1 / ALIKE < first.opaque()[0] / max(sighting.opaque()[0], 1e-9) < ALIKE
        width, distance = first.opaque()
        is_wide = width + distance / sighting.f_number > widest
        if away < max(sighting.size, first.size) / 2 and away < least and alike and not (narrower or is_wide):
            nearest, least = thing, away
    return nearest


def find_origin(thing: Sequence[Sighting]) -> Origin:
    """Fit ``D = d + t/N`` over the f-numbers; with one f-number, take the thing as opaque.

    A thing that lets light through is nearer than an opaque one by its shadow; how much nearer it can be is in the
    uncertainty, as even odds over all that blocks a fifth of the light or more.
    """
    inverse = np.array([1 / each.f_number for each in thing])
    size, u = np.array([each.size for each in thing]), np.array([each.size_u for each in thing])
    if not np.isfinite(inverse).all():
        return Origin(thing=float("nan"), distance=float("nan"), distance_u=float("nan"))
    if np.ptp(inverse) < 0.1 * inverse.max():
        width, furthest = thing[0].opaque()
        _, nearest = thing[0].opaque(LEAST_OPAQUE)
        reading_u = thing[0].size_u / thing[0].size * furthest
        return Origin(
            thing=width, distance=furthest, distance_u=float(np.hypot((furthest - nearest) / np.sqrt(3), reading_u))
        )
    design = np.column_stack([np.ones_like(inverse), inverse]) / u[:, None]
    covariance = np.linalg.inv(design.T @ design)
    fit = covariance @ design.T @ (size / u)
    surplus = max(float(((size / u - design @ fit) ** 2).sum()) / max(len(size) - 2, 1), 1.0)
    return Origin(
        thing=max(float(fit[0]), 0.0), distance=float(fit[1]), distance_u=float(np.sqrt(surplus * covariance[1, 1]))
    )


def find_width(thing: Sequence[Sighting], origin: Origin) -> float:
    """Return a thing's own width: by its widths over the f-numbers, or by its sharpest shadow's rim if that is wider.

    Both are lower limits: a rim is never wider than the thing, and what lets light through is wider than something
    opaque that takes as much.
    """
    return float(np.fmax(origin.thing, thing[0].rim))


def is_beyond(origin: Origin, stack: float) -> bool:
    """Say whether a thing is surely farther from the sensor than that."""
    return origin.distance - SURE * origin.distance_u > stack


def name_kind(origin: Origin, *, long: bool, stack: float, patch: float) -> str:
    """Name what throws a shadow.

    Parameters
    ----------
    origin
        Width and distance.
    long
        Whether the shadow is much longer than wide.
    stack, patch
        Largest distance of the sensor's own glass, and least width of what is more than dust; the origin's unit.
    """
    # a fibre on the sensor throws a long shadow too, but a narrow one
    if origin.distance + SURE * origin.distance_u < stack:
        return "sensor_dust"
    if long:
        return "scratch"
    if is_beyond(origin, stack):
        return "patch" if origin.thing > patch else "lens_dust"
    return "unsure"
