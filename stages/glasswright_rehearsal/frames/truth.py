"""True values of a rehearsed lens, to compare with measurements of its shots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from glasswright_rehearsal.frames.render import Scene, find_disc_blurs, find_edges
from glasswright_rehearsal.optics.blur import find_blur, find_mtf50, find_spill
from glasswright_rehearsal.optics.depth import defocus_by_depth
from glasswright_rehearsal.scene.geometry import distort, map_points
from glasswright_rehearsal.scene.layout import list_circles
from glasswright_rehearsal.scene.light import mean_gain_box

if TYPE_CHECKING:
    from collections.abc import Mapping

    from glasswright_rehearsal.scene.geometry import Edges, Frame
    from glasswright_rehearsal.scene.layout import Circles
    from glasswright_rehearsal.scene.lens import Lens


Array = NDArray[np.float64]

CORNERS = ("upper_left", "upper_right", "lower_left", "lower_right")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneLimits:
    """Limits of the field's zones: the `zones` of a stand file's camera section."""

    centre_within_frac: float = 0.2
    mid_inner_frac: float = 0.35
    mid_outer_frac: float = 0.65
    corner_from_frac: float = 0.62
    mid_at_frac: float = 0.5
    corner_at_frac: float = 0.8


def describe_truth(scene: Scene, zones: ZoneLimits, corner_box_frac: float = 0.05) -> dict[str, Any]:
    """Return the true values at one setting, ready for JSON.

    Parameters
    ----------
    scene
        A chart scene of the setting; noise, light level and dust do not matter.
    zones
        Limits of the zones.
    corner_box_frac
        Width and height of a corner's box over those of the frame.

    Returns
    -------
    `zones` (plane -> zone -> sagittal, tangential: mean MTF50 over the zone's discs, cycles per pixel, and their
    count), `discs` (node, and for each plane centre, node place, MTF50), `lateral_colour` (per disc, px),
    `distortion`, `vignetting` (plane -> corner -> EV), `tilt`, `decentring`, `field_curvature`, `glare`, `spill_frac`.
    """
    circles, edges = find_edges(scene)
    keep = np.flatnonzero(~circles.is_hole)
    mtf50 = _find_disc_mtf50(scene, edges)[:, keep]
    return {
        "zones": _read_zones(scene, edges.node_px[:, keep], zones),
        "discs": _list_discs(scene, circles, edges, mtf50, keep),
        "lateral_colour": _find_colour(scene, edges, keep),
        "distortion": _find_distortion(scene, circles, edges, keep),
        "vignetting": find_vignetting(scene.lens, scene.sensor.planes, scene.frame, corner_box_frac),
        **describe_centring(scene.lens, scene.frame),
        "spill_frac": _find_middle_spill(scene),
    }


def _find_middle_spill(scene: Scene) -> float:
    """Return what falls over an edge farther than 2/MTF50 in the middle of the frame, in the main plane."""
    plane = scene.sensor.planes[len(scene.sensor.planes) // 2]
    middle = np.asarray(scene.frame.centre_px, dtype=np.float64)[None, :]
    blur = find_blur(scene.lens, scene.frame, middle, plane, scene.motion_px)
    return float(find_spill(blur, np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])).mean())


def _find_disc_mtf50(scene: Scene, edges: Edges) -> Array:
    """Return (planes, circles, 2): sagittal MTF50 (across the image radius) and tangential MTF50 (along it)."""
    green = edges.node_px[len(scene.sensor.planes) // 2]
    offset = green - scene.frame.centre_px
    # by the angle, the direction has length 1 at the centre too
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    cos, sin = np.cos(angle), np.sin(angle)
    across, along = np.stack([-sin, cos], axis=1), np.stack([cos, sin], axis=1)
    return np.stack(
        [
            find_mtf50(
                blur, np.stack([across[:, 0], along[:, 0]], axis=1), np.stack([across[:, 1], along[:, 1]], axis=1)
            )
            for blur in find_disc_blurs(scene, edges)
        ]
    )


def find_zones(green: Array, frame: Frame, zones: ZoneLimits) -> dict[str, NDArray[np.bool_]]:
    """Return for each zone which places (discs, 2) lie in it."""
    offset = green - frame.centre_px
    r = np.hypot(offset[:, 0], offset[:, 1]) / frame.half_diagonal_px
    x, y = offset[:, 0] / (frame.width_px / 2), offset[:, 1] / (frame.height_px / 2)
    members = {
        "centre": r <= zones.centre_within_frac,
        "mid": (r >= zones.mid_inner_frac) & (r <= zones.mid_outer_frac),
    }
    for corner in CORNERS:
        side_x, side_y = (1 if "right" in corner else -1), (1 if "lower" in corner else -1)
        members[corner] = (x * side_x >= zones.corner_from_frac) & (y * side_y >= zones.corner_from_frac)
    return members


def list_zone_points(green: Array, frame: Frame, zones: ZoneLimits) -> dict[str, tuple[Array, Array]]:
    """Return the points at which each zone is evaluated (points, 2), px, and the angle of their image radius (points,).

    A corner is one point on the diagonal. Centre and ring have one point per disc of the zone, on the disc's image
    radius.
    """
    points = {}
    for zone, inside in find_zones(green, frame, zones).items():
        if not inside.any():
            continue
        offset = green[inside] - frame.centre_px
        height = {"centre": 0.0, "mid": zones.mid_at_frac}.get(zone, zones.corner_at_frac)
        if zone in CORNERS:
            side = np.array([1 if "right" in zone else -1, 1 if "lower" in zone else -1])
            offset = (side * [frame.width_px, frame.height_px])[None, :]
        angle = np.arctan2(offset[:, 1], offset[:, 0])
        along = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        points[zone] = frame.centre_px + height * frame.half_diagonal_px * along, angle
    return points


def _read_zones(scene: Scene, node_px: Array, zones: ZoneLimits) -> dict[str, Any]:
    """Return MTF50 at each zone's points, and the number of its discs, marks included."""
    green = node_px[len(scene.sensor.planes) // 2]
    members = find_zones(green, scene.frame, zones)
    result: dict[str, Any] = {plane: {} for plane in scene.sensor.planes}
    for zone, (place, angle) in list_zone_points(green, scene.frame, zones).items():
        cos, sin = np.cos(angle), np.sin(angle)
        for plane in scene.sensor.planes:
            blur = find_blur(scene.lens, scene.frame, place, plane, scene.motion_px, _find_depth(scene, green, place))
            mtf50 = find_mtf50(blur, np.stack([-sin, cos], axis=1), np.stack([cos, sin], axis=1))
            result[plane][zone] = {
                "sagittal_cy_per_px": float(mtf50[:, 0].mean()),
                "tangential_cy_per_px": float(mtf50[:, 1].mean()),
                "mean_cy_per_px": float(mtf50.mean()),
                "disc_count": int(members[zone].sum()),
            }
    return result


def _find_depth(scene: Scene, green: Array, place: Array) -> tuple[Array, None] | None:
    """Return the defocus by a tilted chart at places (points, 2): a plane fitted to that of the discs."""
    if scene.layout is None or scene.pose is None:
        return None
    circles = list_circles(scene.layout)
    depth, _ = defocus_by_depth(circles, scene.pose, scene.lens, scene.frame, is_deep=False)
    keep = ~circles.is_hole
    weight = np.linalg.lstsq(np.column_stack([np.ones(len(green)), green]), depth[keep], rcond=None)[0]
    return weight[0] + place @ weight[1:], None


def _list_discs(
    scene: Scene, circles: Circles, edges: Edges, mtf50: Array, keep: NDArray[np.intp]
) -> list[dict[str, Any]]:
    """List every disc's places and MTF50."""
    return [
        {
            "node": [int(n) for n in circles.node[disc]],
            "is_mark": bool(circles.is_mark[disc]),
            "planes": {
                plane: {
                    "centre_px": [float(v) for v in edges.centre_px[p, disc]],
                    "node_px": [float(v) for v in edges.node_px[p, disc]],
                    "radius_px": float(edges.radius[p, disc, 0]),
                    "mtf50_cy_per_px": [float(v) for v in mtf50[p, place]],
                }
                for p, plane in enumerate(scene.sensor.planes)
            },
        }
        for place, disc in enumerate(keep)
    ]


def _find_colour(scene: Scene, edges: Edges, keep: NDArray[np.intp]) -> dict[str, Any]:
    """Return each plane's displacement from green: largest and mean over the discs, and along the image radius."""
    if len(scene.sensor.planes) == 1:
        return {}
    green = edges.centre_px[1, keep]
    offset = green - scene.frame.centre_px
    unit = offset / np.maximum(np.hypot(offset[:, 0], offset[:, 1]), 1e-9)[:, None]
    result = {}
    for plane, p in (("red", 0), ("blue", 2)):
        move = edges.centre_px[p, keep] - green
        radial = np.sum(move * unit, axis=1)
        result[plane] = {
            "worst_px": float(np.hypot(move[:, 0], move[:, 1]).max()),
            "mean_px": float(np.hypot(move[:, 0], move[:, 1]).mean()),
            "worst_radial_px": float(radial[np.argmax(np.abs(radial))]),
            "uniform_px": [float(v) for v in move.mean(axis=0)],
        }
    return result


def _find_distortion(scene: Scene, circles: Circles, edges: Edges, keep: NDArray[np.intp]) -> dict[str, Any]:
    """Return the lens's coefficients, and the sag of a straight line at each border and of the outermost lattice lines.

    The sag is in per cent of picture height for rows and of width for columns, negative where the line's middle is
    farther out than its ends (barrel).
    """
    if scene.layout is None or scene.pose is None:
        return {}
    frame, lens = scene.frame, scene.lens
    height, width = float(frame.height_px), float(frame.width_px)
    nodes = {tuple(circles.node[disc]): edges.node_px[len(scene.sensor.planes) // 2, disc] for disc in keep}
    last_column, last_row = scene.layout.columns - 1, scene.layout.rows - 1
    middle_column, middle_row = scene.layout.columns // 2, scene.layout.rows // 2

    def sag(ends: list[tuple[int, int]], outward: float, size: float) -> float:
        first, middle, last = (nodes[node] for node in ends)
        along = (last - first) / np.hypot(*(last - first))
        across = np.array([-along[1], along[0]])
        return float(-outward * 100 * ((middle - first) @ across) / size)

    lattice = {
        "top": sag([(0, 0), (middle_column, 0), (last_column, 0)], -1.0, height),
        "bottom": sag([(0, last_row), (middle_column, last_row), (last_column, last_row)], 1.0, height),
        "left": sag([(0, 0), (0, middle_row), (0, last_row)], 1.0, width),
        "right": sag([(last_column, 0), (last_column, middle_row), (last_column, last_row)], -1.0, width),
    }
    return {
        "k1": lens.distortion.k1,
        "k2": lens.distortion.k2,
        "axis_shift_frac": list(lens.distortion.axis_shift_frac),
        "corner_pct": 100 * (lens.distortion.k1 + lens.distortion.k2),
        "border_bend_pct": _bend_borders(lens, frame),
        "lattice_bend_pct": lattice,
        "middle_px": [float(v) for v in map_points(np.zeros(2), scene.pose, lens, frame, "green")],
    }


def _bend_borders(lens: Lens, frame: Frame) -> dict[str, float]:
    """Return the sag of a straight line along each border."""
    height, width = float(frame.height_px), float(frame.width_px)
    xs, ys = (-0.5, width / 2 - 0.5, width - 0.5), (-0.5, height / 2 - 0.5, height - 0.5)

    def bend(points: list[tuple[float, float]], axis: int, outward: float) -> float:
        moved = distort(np.array(points), lens.distortion, frame)[:, axis]
        return float(-outward * 100 * (moved[1] - (moved[0] + moved[2]) / 2) / (height if axis else width))

    return {
        "top": bend([(x, ys[0]) for x in xs], 1, -1.0),
        "bottom": bend([(x, ys[2]) for x in xs], 1, 1.0),
        "left": bend([(xs[0], y) for y in ys], 0, -1.0),
        "right": bend([(xs[2], y) for y in ys], 0, 1.0),
    }


def find_vignetting(
    lens: Lens, planes: tuple[str, ...], frame: Frame, corner_box_frac: float
) -> Mapping[str, Mapping[str, float]]:
    """Return the light loss at each corner in EV: mean over the corner's box relative to the same box at the centre.

    Veiling glare is included, as in a frame of the diffuse source.
    """
    f = corner_box_frac
    middle = (0.5 - f / 2, 0.5 + f / 2)
    veil = lens.aberrations.veil_frac
    result: dict[str, dict[str, float]] = {}
    for plane in planes:
        centre = mean_gain_box(lens.falloff, plane, frame, (*middle, *middle)) + veil
        result[plane] = {}
        for corner in CORNERS:
            x = (1 - f, 1.0) if "right" in corner else (0.0, f)
            y = (1 - f, 1.0) if "lower" in corner else (0.0, f)
            mean = mean_gain_box(lens.falloff, plane, frame, (*x, *y)) + veil
            result[plane][corner] = float(-np.log2(mean / centre))
    return result


ARCMIN: Final = 60 * 180 / np.pi


def describe_centring(lens: Lens, frame: Frame) -> dict[str, Any]:
    """Return tilt, coma, field curvature and glare at one setting, ready for JSON. Directions run from the sensor's x
    axis (right) towards y (down), 0 to 360 degrees. The tilt points to the side with focus behind the sensor, the coma
    along its tail. `veil_of_paper_pct` is veil over the paper's light in the middle of the frame, `veil_share_pct` is
    veil over both together."""
    a = lens.aberrations
    half_um = frame.half_diagonal_px * frame.pitch_um
    slope = float(np.hypot(*a.tilt_um))
    return {
        "tilt": {
            "x_um_per_half_diagonal": a.tilt_um[0],
            "y_um_per_half_diagonal": a.tilt_um[1],
            "slope_um_per_half_diagonal": slope,
            "arcmin": float(np.arctan(slope / half_um)) * ARCMIN,
            "direction_deg": _point(a.tilt_um),
        },
        "decentring": {
            "coma_waves": a.coma_waves,
            "direction_deg": a.decentre_deg % 360,
            "blur_growth_per_half_diagonal": a.decentre_gradient,
        },
        "field_curvature": {"corner_um": a.field_curvature_um},
        "glare": {
            "veil_of_paper_pct": 100 * a.veil_frac,
            "veil_share_pct": 100 * a.veil_frac / (1 + a.veil_frac),
            "halo_share_pct": 100 * a.haze_frac,
        },
    }


def _point(pair: tuple[float, float]) -> float:
    """Return the direction of a pair."""
    return float(np.rad2deg(np.arctan2(pair[1], pair[0]))) % 360
