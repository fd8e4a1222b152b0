"""True values of one lens at one setting, computed without rendering a frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from glasswright_rehearsal.frames.truth import CORNERS, ZoneLimits, find_vignetting, find_zones, list_zone_points
from glasswright_rehearsal.optics.blur import find_blur, find_mtf50, transfer
from glasswright_rehearsal.scene.geometry import distort, map_points
from glasswright_rehearsal.scene.layout import list_circles
from glasswright_rehearsal.scene.light import mean_gain_box

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from glasswright_rehearsal.scene.geometry import Frame, Pose
    from glasswright_rehearsal.scene.layout import Layout
    from glasswright_rehearsal.scene.lens import Lens

    Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """True values of a lens at one setting, in green unless noted."""

    zones_cy_per_px: Mapping[str, tuple[float, float]]
    """Zone -> sagittal and tangential MTF50."""
    corner_losses_ev: tuple[float, ...]
    height_bend_pct: float
    """Sag of a straight line along the top or bottom edge, the larger, over the picture's height; negative is
    barrel."""
    red_green_px: float
    """Largest distance between red and green over the lattice's nodes; the next is for blue."""
    blue_green_px: float
    corner_radial_px: tuple[float, float]
    """Radial displacement of red and blue from green, mean of the corner zones' nodes, without the uniform shift."""
    uniform_px: tuple[tuple[float, float], tuple[float, float]]
    """Mean displacement of red and of blue from green over the nodes, along x and y."""
    contrast_frac: Mapping[str, tuple[float, float]]
    """Centre and corner: contrast at 10 and 30 line pairs/mm."""
    extreme_loss_ev: float
    """Light loss at the very end of the darkest corner."""
    soft_sides_frac: float
    """Amplitude of the second angular harmonic of MTF50 at a half-diagonal, over MTF50 at the centre."""
    corner_softening_frac: float
    """Rotationally symmetric loss of MTF50 from the centre to a half-diagonal, over MTF50 at the centre."""
    veil_share_pct: float
    """Veiling glare over the paper's light as photographed."""


def describe_facts(lens: Lens, pose: Pose, layout: Layout, frame: Frame, zones: ZoneLimits) -> Facts:
    """Return the true values of a lens."""
    circles = list_circles(layout)
    nodes = circles.centre_mm[~circles.is_hole]
    red, green, blue = (map_points(nodes, pose, lens, frame, plane) for plane in ("red", "green", "blue"))
    sharpness = _find_sharpness(lens, frame, green)
    soft_sides, corner_softening = _find_shape(
        sharpness.mean(axis=1), (green - frame.centre_px) / frame.half_diagonal_px
    )
    return Facts(
        zones_cy_per_px={
            zone: _read_zone(lens, frame, *points) for zone, points in list_zone_points(green, frame, zones).items()
        },
        corner_losses_ev=tuple(find_vignetting(lens, ("green",), frame, corner_box_frac=0.05)["green"].values()),
        height_bend_pct=max((_bend(lens, frame, row) for row in (-1, 1)), key=abs),
        red_green_px=float(np.hypot(*(red - green).T).max()),
        blue_green_px=float(np.hypot(*(blue - green).T).max()),
        corner_radial_px=(
            _find_corner_radial(red - green, green, frame, zones),
            _find_corner_radial(blue - green, green, frame, zones),
        ),
        uniform_px=(_mean_move(red - green), _mean_move(blue - green)),
        contrast_frac=_find_contrast(lens, frame, list_zone_points(green, frame, zones)),
        extreme_loss_ev=_find_extreme_loss(lens, frame),
        soft_sides_frac=soft_sides,
        corner_softening_frac=corner_softening,
        veil_share_pct=100 * lens.aberrations.veil_frac / (1 + lens.aberrations.veil_frac),
    )


def _find_corner_radial(move: Array, green: Array, frame: Frame, zones: ZoneLimits) -> float:
    members = find_zones(green, frame, zones)
    inside = np.any([members[corner] for corner in CORNERS], axis=0)
    offset = (green - frame.centre_px)[inside]
    along = offset / np.linalg.norm(offset, axis=1, keepdims=True)
    return float(((move - move.mean(axis=0))[inside] * along).sum(axis=1).mean())


def _mean_move(move: Array) -> tuple[float, float]:
    x, y = move.mean(axis=0)
    return float(x), float(y)


def _find_contrast(
    lens: Lens, frame: Frame, points: Mapping[str, tuple[Array, Array]]
) -> dict[str, tuple[float, float]]:
    """Return the contrast of centre and corner at 10 and 30 line pairs/mm, mean of both directions."""
    frequency = np.array([10, 30]) * frame.pitch_um / 1000
    found = {}
    for zone, names in (("centre", ("centre",)), ("corner", CORNERS)):
        each = [points[name] for name in names if name in points]
        place, angle = np.concatenate([p for p, _ in each]), np.concatenate([a for _, a in each])
        cos, sin = np.cos(angle), np.sin(angle)
        blur = find_blur(lens, frame, place, "green")
        sides = np.stack([-sin, cos], axis=1), np.stack([cos, sin], axis=1)
        low, high = np.abs(transfer(blur, frequency, *sides)).mean(axis=(0, 1))
        found[zone] = float(low), float(high)
    return found


def _find_extreme_loss(lens: Lens, frame: Frame) -> float:
    """Return the light loss in the outermost hundredth of the darkest corner relative to the centre's box, EV."""
    veil = lens.aberrations.veil_frac
    middle = mean_gain_box(lens.falloff, "green", frame, (0.475, 0.525, 0.475, 0.525)) + veil
    ends = [(0.0, 0.01), (0.99, 1.0)]
    return max(
        -float(np.log2((mean_gain_box(lens.falloff, "green", frame, (*x, *y)) + veil) / middle))
        for x in ends
        for y in ends
    )


def _find_shape(sharpness: Array, places: Array) -> tuple[float, float]:
    """Return MTF50's second angular harmonic and its rotationally symmetric loss, relative, by least squares."""
    x, y = places.T
    square = x**2 + y**2
    basis = np.column_stack([np.ones_like(x), x, y, x**2 - y**2, 2 * x * y, square, square**2])
    weight = np.linalg.lstsq(basis, sharpness, rcond=None)[0]
    return float(np.hypot(*weight[3:5]) / weight[0]), float(-weight[5:].sum() / weight[0])


def _read_zone(lens: Lens, frame: Frame, places: Array, angle: Array) -> tuple[float, float]:
    sagittal, tangential = _find_mtf50(lens, frame, places, angle).mean(axis=0)
    return float(sagittal), float(tangential)


def _find_sharpness(lens: Lens, frame: Frame, places: Array) -> Array:
    """Return (places, 2): sagittal and tangential MTF50."""
    offset = places - frame.centre_px
    # by the angle, the direction has length 1 at the centre too
    return _find_mtf50(lens, frame, places, np.arctan2(offset[:, 1], offset[:, 0]))


def _find_mtf50(lens: Lens, frame: Frame, places: Array, angle: Array) -> Array:
    cos, sin = np.cos(angle), np.sin(angle)
    blur = find_blur(lens, frame, places, "green")
    return find_mtf50(blur, np.stack([-sin, cos], axis=1), np.stack([cos, sin], axis=1))


def _bend(lens: Lens, frame: Frame, row: int) -> float:
    """Return the sag of a straight line along the top (-1) or bottom (1) edge, in per cent; negative is barrel."""
    width, height = float(frame.width_px), float(frame.height_px)
    y = -0.5 if row < 0 else height - 0.5
    points = np.array([(-0.5, y), (width / 2 - 0.5, y), (width - 0.5, y)])
    moved = distort(points, lens.distortion, frame)[:, 1]
    return float(row * 100 * ((moved[0] + moved[2]) / 2 - moved[1]) / height)
