"""Origin of a shadow, from its width as a function of the f-number."""

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
"""Relative uncertainty of a width: shadows are not exact plateaus, and diffraction softens small ones."""
DEPTH_MODEL_U, DEPTH_FIELD_U = 0.005, 1e-4
"""Uncertainty of a depth from the shadow's form, relative, and from the smooth field, of the light. Estimated on
rehearsed motes from 10 to 350 pixels wide; the tests check it on others."""
WIDEST_READ: Final = 0.2
"""Of the frame's width: a shadow expected to be wider at a lower f-number is not used there."""
LEAST_OPAQUE: Final = 0.2
"""Least opacity of an object, where its distance is estimated from one aperture."""
ALIKE: Final = 1.6
"""Largest ratio of the widths of one object, assumed opaque, from its shadows at two f-numbers."""
SURE: Final = 2.0
"""Standard uncertainties by which an object must lie on one side of a limit."""


CERTAIN: Final = 10.0
"""Depth over its noise from which one shot of several is enough, as dust may move between two shots. Noise that was
found in one shot of three had 5 and 6."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shadow:
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
    clearness: float = float("inf")
    """Depth over its noise."""

    def opaque(self, blocked: float = 1.0) -> tuple[float, float]:
        """Return width d and distance t of an object that blocks a share of the light.

        The depth in the middle of the shadow is then ``blocked (d N / t)^2``, at most `blocked`.
        """
        root = float(np.sqrt(min(self.depth / blocked, 1.0)))
        return self.size * root / (1 + root), self.f_number * self.size / (1 + root)


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """The object's width and distance from the sensor, in pixels, with uncertainty; NaN where not known."""

    thing: float
    distance: float
    distance_u: float


def list_shadows(spots: SpotMap) -> list[Shadow]:
    """Return the shadows of a map."""
    return [
        Shadow(
            place=spots.place_px[k],
            f_number=spots.f_number,
            size=float(spots.size_px[k]),
            size_u=float(np.hypot(spots.size_u_px[k], WIDTH_MODEL_U * spots.size_px[k])),
            depth=float(spots.depth[k]),
            depth_u=_depth_u(float(spots.depth[k]), float(spots.depth_u[k])),
            length_ratio=float(spots.length_ratio[k]),
            rim=float(spots.rim_px[k]),
            clearness=float(spots.depth[k] / max(spots.depth_u[k], 1e-9)),
        )
        for k in range(len(spots.size_px))
    ]


def _depth_u(depth: float, noise_u: float) -> float:
    """Return a depth's standard uncertainty, from noise, the shadow's form and the smooth field."""
    return float(np.sqrt(noise_u**2 + (DEPTH_MODEL_U * depth) ** 2 + DEPTH_FIELD_U**2))


def group_shadows(maps: Sequence[SpotMap]) -> list[list[Shadow]]:
    """Return the shadows grouped by object, sharpest first.

    A shadow is sharpest and deepest at the highest f-number, so only objects that show there count. At lower f-numbers
    the shadow stays in its place and widens. A faint shadow in fewer than half of the shots at the highest f-number is
    noise: an object shows in all.
    """
    # shots of unknown f-number come last
    ordered = sorted(maps, key=lambda each: -np.nan_to_num(each.f_number))
    highest = float(np.nan_to_num(ordered[0].f_number))
    things: list[list[Shadow]] = []
    for each in ordered:
        for shadow in list_shadows(each):
            home = _find_home(things, shadow, WIDEST_READ * each.width_px)
            if home is not None:
                home.append(shadow)
            elif np.nan_to_num(each.f_number) == highest:
                things.append([shadow])
    repeats = sum(np.nan_to_num(each.f_number) == highest for each in maps)
    return [thing for thing in things if _is_certain(thing, highest, repeats)]


def _is_certain(thing: Sequence[Shadow], highest: float, repeats: int) -> bool:
    """Return whether an object is seen clearly, or in half of the shots at the highest f-number or more."""
    seen = [shadow for shadow in thing if np.nan_to_num(shadow.f_number) == highest]
    return 2 * len(seen) >= repeats or any(shadow.clearness >= CERTAIN for shadow in seen)


def _find_home(things: list[list[Shadow]], shadow: Shadow, widest: float) -> list[Shadow] | None:
    """Return the object of a shadow, within half its own width, and not narrower than at a higher f-number.

    An object whose shadow is expected to be too wide to separate from the field is not considered.
    """
    nearest, least = None, np.inf
    for thing in things:
        first = thing[0]
        away = float(np.hypot(*(shadow.place - first.place)))
        narrower = first.size - shadow.size > 3 * np.hypot(first.size_u, shadow.size_u)
        # the light an object blocks in total is the same at every f-number
        alike = 1 / ALIKE < first.opaque()[0] / max(shadow.opaque()[0], 1e-9) < ALIKE
        width, distance = first.opaque()
        is_wide = width + distance / shadow.f_number > widest
        if away < max(shadow.size, first.size) / 2 and away < least and alike and not (narrower or is_wide):
            nearest, least = thing, away
    return nearest


def find_origin(thing: Sequence[Shadow]) -> Origin:
    """Fit ``D = d + t/N`` over the f-numbers; with one f-number assume an opaque object.

    A translucent object with the same shadow would be nearer. The uncertainty includes this as a uniform distribution
    of the distance over opacities of LEAST_OPAQUE and more."""
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


def find_width(thing: Sequence[Shadow], origin: Origin) -> float:
    """Return an object's own width: from the widths over the f-numbers, or the sharpest shadow's rim if wider.

    Both are lower limits: a rim is never wider than the object, and a translucent object is wider than an opaque one
    that blocks the same light.
    """
    return float(np.fmax(origin.thing, thing[0].rim))


def is_beyond(origin: Origin, stack: float) -> bool:
    """Return whether an object is significantly farther from the sensor than `stack`."""
    return origin.distance - SURE * origin.distance_u > stack


def name_kind(origin: Origin, *, long: bool, stack: float, patch: float) -> str:
    """Return the kind of object that causes a shadow.

    Parameters
    ----------
    origin
        Width and distance.
    long
        Whether the shadow is much longer than wide.
    stack, patch
        Largest distance of dust on the sensor's own glass, and least width of a patch; in the origin's unit.
    """
    # a fibre on the sensor also has a long shadow, but a narrow one
    if origin.distance + SURE * origin.distance_u < stack:
        return "sensor_dust"
    if long:
        return "scratch"
    if is_beyond(origin, stack):
        return "patch" if origin.thing > patch else "lens_dust"
    return "unsure"
