"""Render one frame from a scene: the chart, a blank panel, the diffuse source, or a dark frame."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from glasswright_rehearsal.frames.draw import draw_discs
from glasswright_rehearsal.optics.blur import Blur, add_ink, find_blur, find_spread_px, pick_places
from glasswright_rehearsal.optics.depth import defocus_by_depth
from glasswright_rehearsal.optics.profiles import build_kernels, tabulate
from glasswright_rehearsal.scene.geometry import HARMONICS, Edges, Frame, Pose, fit_edges
from glasswright_rehearsal.scene.layout import Circles, Layout, list_circles
from glasswright_rehearsal.scene.lens import Lens
from glasswright_rehearsal.scene.light import Dust, Lighting, lay_light
from glasswright_rehearsal.scene.printing import Ink
from glasswright_rehearsal.scene.sensor import Sensor, expose

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

BATCH = 24
"""Number of discs whose profile tables are in memory at once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Parameters of one frame, without its noise."""

    frame: Frame
    lens: Lens
    sensor: Sensor = field(default_factory=Sensor)
    lighting: Lighting = field(default_factory=Lighting)
    layout: Layout | None = None
    """None: a blank panel or the diffuse source."""
    pose: Pose | None = None
    """Required with a layout."""
    motion_px: tuple[float, float] = (0.0, 0.0)
    """Uniform motion during the exposure, the same for all discs."""
    path_px: tuple[tuple[float, float], ...] = ()
    """Positions of the image in equal parts of the exposure, for any motion; replaces `motion_px`."""
    knocked_px: tuple[float, float] = (0.0, 0.0)
    knocked_share: float = 0.0
    """Displacement of the chart for this fraction of the exposure: the stand was knocked, and edges are double."""
    dust: tuple[Dust, ...] = ()
    ink: Ink | None = None
    """Blur of the print's edges; None if they are perfect."""
    is_deep: bool = False
    """Whether defocus also varies within a disc, as on an inclined board."""


def render_frame(scene: Scene, seed: int | np.random.SeedSequence) -> NDArray[np.uint16]:
    """Render a frame with noise: (channels, height, width) raw values, reproducible by seed."""
    sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    return expose(render_light(scene), scene.sensor, sequence)


def render_dark(scene: Scene, seed: int | np.random.SeedSequence) -> NDArray[np.uint16]:
    """Render a frame with the cap on."""
    sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    shape = (len(scene.sensor.pattern), scene.frame.height_px, scene.frame.width_px)
    return expose(np.zeros(shape, dtype=np.float32), scene.sensor, sequence)


def render_light(scene: Scene) -> Array32:
    """Render a frame without noise: (channels, height, width), as a fraction of white."""
    shape = (len(scene.sensor.pattern), scene.frame.height_px, scene.frame.width_px)
    picture = np.zeros(shape, dtype=np.float32)
    dark_frac = 1.0
    if scene.layout is not None:
        dark_frac = 1 / scene.layout.contrast_ratio
        _draw_chart(picture, scene, scene.layout)
    lay_light(
        picture,
        scene.sensor.pattern_array(),
        scene.sensor.planes,
        scene.frame,
        scene.lens,
        scene.lighting,
        dark_frac,
        scene.dust,
    )
    return picture


def find_edges(scene: Scene) -> tuple[Circles, Edges]:
    """Return the chart's circles and the images of their edges on the sensor."""
    if scene.layout is None or scene.pose is None:
        message = "a scene with a chart needs both a layout and a pose"
        raise ValueError(message)
    circles = list_circles(scene.layout)
    edges = fit_edges(circles.centre_mm, circles.radius_mm, scene.pose, scene.lens, scene.frame, scene.sensor.planes)
    return circles, edges


def find_disc_blurs(scene: Scene, edges: Edges) -> tuple[Blur, ...]:
    """Return each plane's blur at the green centre of every circle."""
    place = edges.node_px[len(scene.sensor.planes) // 2]
    planes = scene.sensor.planes
    if scene.layout is None or scene.pose is None:
        return tuple(find_blur(scene.lens, scene.frame, place, plane, scene.motion_px) for plane in planes)
    depth = defocus_by_depth(list_circles(scene.layout), scene.pose, scene.lens, scene.frame, scene.is_deep)
    blurs = tuple(find_blur(scene.lens, scene.frame, place, plane, scene.motion_px, depth) for plane in planes)
    if scene.ink is None:
        return blurs
    per_mm = 1000 * scene.pose.magnification_frac / scene.frame.pitch_um
    return tuple(add_ink(blur, scene.ink, per_mm) for blur in blurs)


def _draw_chart(picture: Array32, scene: Scene, layout: Layout) -> None:
    """Draw all circles, size by size."""
    circles, edges = find_edges(scene)
    blurs = find_disc_blurs(scene, edges)
    spread = max(find_spread_px(blur) for blur in blurs)
    top = _find_top(blurs)
    is_asymmetric = any(blur.coma_waves for blur in blurs)
    del layout
    for size in np.unique(circles.radius_mm):
        members = np.flatnonzero(circles.radius_mm == size)
        kernels = build_kernels(*_bound_radii(edges.radius[:, members]), spread, top, is_asymmetric=is_asymmetric)
        members = members[_reach_frame(edges, members, scene.frame, kernels.far_px)]
        for start in range(0, len(members), BATCH):
            batch = members[start : start + BATCH]
            tables = [tabulate(pick_places(blur, batch), kernels) for blur in blurs]
            for is_hole, sign in ((False, 1.0), (True, -1.0)):
                chosen = circles.is_hole[batch] == is_hole
                if not chosen.any():
                    continue
                for share, moved in _list_exposures(scene):
                    draw_discs(
                        picture,
                        scene.sensor.pattern_array(),
                        sign * share,
                        np.ascontiguousarray(edges.centre_px[:, batch[chosen]] + moved),
                        np.ascontiguousarray(edges.radius[:, batch[chosen]]),
                        np.stack([t.near[chosen] for t in tables]),
                        np.stack([t.tail[chosen] for t in tables]),
                        np.stack([t.odd[chosen] for t in tables]),
                        kernels.radius_px,
                        kernels.near_px,
                        kernels.far_px,
                    )


def _reach_frame(edges: Edges, members: NDArray[np.intp], frame: Frame, far_px: float) -> NDArray[np.bool_]:
    """Return which circles change any pixel of the frame, if no exposure moves them by more than `far_px`."""
    reach = edges.radius[:, members, 0].max(axis=0) * 1.5 + 2 * far_px
    beside = (
        np.abs(edges.centre_px[:, members].mean(axis=0) - frame.centre_px)
        - np.array([frame.width_px, frame.height_px]) / 2
    )
    return np.asarray((beside < reach[:, None]).all(axis=1))


def _list_exposures(scene: Scene) -> list[tuple[float, Array]]:
    """Return the parts of the exposure: fraction of time, and displacement of the chart in px."""
    if scene.path_px:
        return [(1 / len(scene.path_px), np.array(place)) for place in scene.path_px]
    parts = [(1 - scene.knocked_share, np.zeros(2)), (scene.knocked_share, np.array(scene.knocked_px))]
    return parts if scene.knocked_share else parts[:1]


def _bound_radii(radius: Array) -> tuple[float, float]:
    """Bound the local radius of curvature of edges given by their polar radius."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    value, slope, second = (np.repeat(radius[..., :1] * factor, 48, axis=-1) for factor in (1.0, 0.0, 0.0))
    for k in range(2, HARMONICS + 1):
        a, b = radius[..., 2 * k - 1, None], radius[..., 2 * k, None]
        cos, sin = np.cos(k * angle), np.sin(k * angle)
        value = value + a * cos + b * sin
        slope = slope + k * (b * cos - a * sin)
        second = second - k**2 * (a * cos + b * sin)
    curvature = (value**2 + 2 * slope**2 - value * second) / (value**2 + slope**2) ** 1.5
    return float(1 / curvature.max()), float(1 / curvature.min())


def _find_top(blurs: tuple[Blur, ...]) -> float:
    """Return the frequency above which all transfer functions are negligible."""
    cutoff = max(float(blur.cutoff.max()) for blur in blurs)
    variance = min(float(np.linalg.eigvalsh(_matrices(blur)).min()) for blur in blurs)
    gauss = np.sqrt(16 / (2 * np.pi**2 * max(variance, 1e-6)))
    return float(min(cutoff, gauss))


def _matrices(blur: Blur) -> Array:
    """Return the covariances as (places, 2, 2)."""
    flat = np.stack([blur.variance_xx, blur.variance_xy, blur.variance_xy, blur.variance_yy], axis=1)
    return flat.reshape(-1, 2, 2)
