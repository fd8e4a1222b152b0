"""Draw small chart frames for tests, with 4 x 4 sample points per pixel.

Independent of the tested code: distortion is inverted point by point by a fixed-point iteration, and the chart is a
function of millimetres. Supersampling 4 x 4 leaves under 0.02 pixel of error in a disc's centre.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from glasswright import CaptureFacts, Setting
from glasswright_camera.mosaic import Mosaic
from glasswright_camera.stand import ChartLayout, ChartUse, Mark, Sensor, Stand

if TYPE_CHECKING:
    from collections.abc import Callable

BAYER = np.array([[[0, 1], [1, 2]]])


def make_layout(
    columns=13, rows=9, kind="ring", marks=None, name=None, pitch=120.0, disc=48.0, large=1.4, **more
) -> ChartLayout:
    marks = marks or (
        (columns // 2 - 1, rows // 2 - 1),
        (columns // 2 + 2, rows // 2 - 1),
        (columns // 2 - 1, rows // 2 + 1),
    )
    return ChartLayout(
        name=name or f"lattice_{columns}x{rows}",
        columns=columns,
        rows=rows,
        pitch_mm=pitch,
        disc_diameter_mm=disc,
        marks=tuple(Mark(column=c, row=r, kind=kind) for c, r in marks),
        ring_hole_diameter_mm=0.4 * disc,
        large_diameter_mm=large * disc,
        contrast_ratio=15.0,
        **more,
    )


def make_stand(*layouts: ChartLayout, **sensor) -> Stand:
    return Stand(
        sensor=Sensor(pixel_pitch_um=6.0, **sensor), charts=tuple(ChartUse(layout=layout) for layout in layouts)
    )


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A scene: chart, pose, lens, and obstacles. Angles in degrees."""

    layout: ChartLayout = field(default_factory=make_layout)
    width: int = 1500
    height: int = 1000
    pitch_px: float = 112.0
    rotation: float = 0.0
    tilt_x: float = 0.0
    tilt_y: float = 0.0
    focal_px: float = 8000.0
    shift: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False
    k1: float = 0.0
    k2: float = 0.0
    dark: float = 1 / 15
    blur_px: float = 0.8
    falloff_ev: float = 0.0
    glare: tuple[float, float, float, float] | None = None
    """x, y, radius in pixels, strength in paper levels."""
    wall: float | None = None
    """Light of the wall around the paper over the paper's; None: the paper fills the frame."""
    clutter: int = 0
    clutter_on_paper: int = 0
    dust: int = 0
    neighbour_chart: bool = False
    hidden: tuple[tuple[int, int], ...] = ()

    @property
    def half_diagonal(self) -> float:
        return float(np.hypot(self.width, self.height) / 2)

    @property
    def middle(self) -> np.ndarray:
        return np.array([(self.width - 1) / 2, (self.height - 1) / 2])

    def plane(self) -> np.ndarray:
        """Chart millimetres from the lattice's middle to undistorted pixels: a pinhole camera before a tilted chart."""
        a, b, c = np.radians([self.tilt_x, self.tilt_y, self.rotation])
        rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
        ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
        rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
        turn = rz @ rx @ ry @ np.diag([-1.0 if self.mirrored else 1.0, 1, 1])
        distance = self.focal_px * self.layout.pitch_mm / self.pitch_px
        shift = np.array([*np.array(self.shift) / self.pitch_px * self.layout.pitch_mm, distance])
        camera = np.array([[self.focal_px, 0, self.middle[0]], [0, self.focal_px, self.middle[1]], [0, 0, 1]])
        return camera @ np.column_stack([turn[:, 0], turn[:, 1], shift])

    def distort(self, place: np.ndarray) -> np.ndarray:
        r = (place - self.middle) / self.half_diagonal
        square = np.sum(r * r, axis=-1, keepdims=True)
        return self.middle + r * (1 + self.k1 * square + self.k2 * square**2) * self.half_diagonal

    def undistort(self, place: np.ndarray) -> np.ndarray:
        r = (place - self.middle) / self.half_diagonal
        size = np.hypot(r[..., 0], r[..., 1])
        table = np.linspace(0, 1.8, 20001)
        bent = table * (1 + self.k1 * table**2 + self.k2 * table**4)
        rising = np.maximum.accumulate(bent)
        straight = np.interp(size, rising, table)
        scale = np.divide(straight, size, out=np.ones_like(size), where=size > 1e-9)
        return self.middle + r * scale[..., None] * self.half_diagonal

    def node_places(self) -> np.ndarray:
        """True image places (rows, columns, 2) of the nodes."""
        layout = self.layout
        column, row = np.meshgrid(np.arange(layout.columns), np.arange(layout.rows))
        mm = np.stack([column - (layout.columns - 1) / 2, row - (layout.rows - 1) / 2], axis=-1) * layout.pitch_mm
        full = np.concatenate([mm, np.ones((*mm.shape[:2], 1))], axis=-1) @ self.plane().T
        return self.distort(full[..., :2] / full[..., 2:])


def draw_light(scene: Scene, seed: int = 0) -> np.ndarray:
    """Light of each pixel, paper about 1, (height, width)."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: scene.height, : scene.width].astype(float)
    light = look_from_pixels(scene, x, y)
    # only where the picture changes within two pixels do the points of a pixel see different things
    changes = ndimage.maximum_filter(light, 5) != ndimage.minimum_filter(light, 5)
    steps = (np.arange(4) + 0.5) / 4 - 0.5
    light[changes] = np.mean(
        [look_from_pixels(scene, x[changes] + dx, y[changes] + dy) for dx in steps for dy in steps], axis=0
    )
    light = add_clutter(light, scene, rng)
    light = ndimage.gaussian_filter(light, scene.blur_px)
    light = add_dust(light, scene, rng)
    r = np.hypot(x - scene.middle[0], y - scene.middle[1]) / scene.half_diagonal
    light *= 2 ** (-scene.falloff_ev * r**2)
    if scene.glare:
        gx, gy, size, strength = scene.glare
        light += strength * np.exp(-((((x - gx) ** 2 + (y - gy) ** 2) / size**2) ** 2))
    return light


def draw_finely(scene: Scene, draw: Callable[[Scene], np.ndarray], fine: int = 2) -> np.ndarray:
    """Draw a scene on a finer grid and average it to pixels: blur precedes sampling.

    `draw_light` blurs what it has sampled at whole pixels: frequencies beyond Nyquist are folded first and pass the
    blur. If blur is below a pixel, this changes MTF50 by up to 2 %, depending on the sub-pixel position.
    """
    large = replace(
        scene,
        width=fine * scene.width,
        height=fine * scene.height,
        pitch_px=fine * scene.pitch_px,
        focal_px=fine * scene.focal_px,
        blur_px=fine * scene.blur_px,
    )
    return draw(large).reshape(scene.height, fine, scene.width, fine).mean(axis=(1, 3))


def look_from_pixels(scene: Scene, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    back = np.linalg.inv(scene.plane())
    full = scene.undistort(np.stack([x, y], axis=-1)) @ back[:, :2].T + back[:, 2]
    return look_at_chart(scene, full[..., 0] / full[..., 2], full[..., 1] / full[..., 2])


def look_at_chart(scene: Scene, mm_x: np.ndarray, mm_y: np.ndarray) -> np.ndarray:
    layout = scene.layout
    u = mm_x / layout.pitch_mm + (layout.columns - 1) / 2
    v = mm_y / layout.pitch_mm + (layout.rows - 1) / 2
    column, row = np.rint(u), np.rint(v)
    away = np.hypot(u - column, v - row) * layout.pitch_mm
    radius = np.full_like(u, layout.disc_diameter_mm / 2)
    hole = np.zeros_like(u)
    for mark in layout.marks:
        here = (column == mark.column) & (row == mark.row)
        if mark.kind == "large":
            radius[here] = layout.large_diameter_mm / 2
        else:
            hole[here] = layout.ring_hole_diameter_mm / 2
    on = (column >= 0) & (column < layout.columns) & (row >= 0) & (row < layout.rows)
    for hidden in scene.hidden:
        on &= ~((column == hidden[0]) & (row == hidden[1]))
    dark = on & (away < radius) & (away >= hole)
    light = np.where(dark, scene.dark, 1.0)
    if scene.wall is not None:
        off = (u < -0.8) | (u > layout.columns - 0.2) | (v < -0.8) | (v > layout.rows - 0.2)
        light = np.where(off, scene.wall, light)
    if scene.neighbour_chart:
        # another chart of other pitch begins 1.2 pitches beyond the last column
        s, t = (u - layout.columns - 0.9) / 0.8, v / 0.8 + 0.37
        other = (np.hypot(s - np.rint(s), t - np.rint(t)) < 0.22) & (s > -0.3)
        light = np.where(s > -0.6, np.where(other, scene.dark, 0.95), light)
    return light


def add_clutter(light: np.ndarray, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    """Add knobs, screws, plates and labels, off the paper and on it between the discs."""
    light = light.copy()
    height, width = light.shape
    y, x = np.mgrid[:height, :width]
    nodes = scene.node_places().reshape(-1, 2)
    todo = [(False, scene.clutter), (True, scene.clutter_on_paper)]
    for on_paper, count in todo:
        done, tries = 0, 0
        while done < count and tries < 100 * count:
            tries += 1
            cx, cy = rng.uniform(0, width), rng.uniform(0, height)
            near = np.hypot(*(nodes - (cx, cy)).T).min() / scene.pitch_px
            if near < (0.45 if on_paper else 0.95) or (on_paper and near > 0.75):
                continue
            size = rng.uniform(0.05, 0.12 if on_paper else 0.35) * scene.pitch_px
            shade = rng.uniform(0.03, 0.4)
            kind = rng.integers(3)
            if kind == 0:
                here = np.hypot(x - cx, y - cy) < size
            elif kind == 1:
                here = (abs(x - cx) < size) & (abs(y - cy) < size * rng.uniform(0.2, 1))
            else:
                here = (np.hypot(x - cx, y - cy) < size) & (np.hypot(x - cx, y - cy) > 0.5 * size)
            light[here] = shade
            done += 1
    return light


def add_dust(light: np.ndarray, scene: Scene, rng: np.random.Generator) -> np.ndarray:
    light = light.copy()
    height, width = light.shape
    y, x = np.mgrid[:height, :width]
    for _ in range(scene.dust):
        cx, cy, size = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(3, 10)
        light *= 1 - rng.uniform(0.05, 0.5) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / size**2)
    return light


def expose(light: np.ndarray, *, kind="bayer", paper_dn=9000.0, seed=1, role="chart", setting=None) -> Mosaic:
    """Convert light to sensor values: a 14-bit Bayer raw, a monochrome one, or a linearised 8-bit RGB photograph."""
    rng = np.random.default_rng(seed)
    common = {"facts": CaptureFacts(), "role": role, "shot": f"{role}/0001", "setting": setting or Setting()}
    if kind == "photograph":
        gain = np.array([0.9, 0.95, 0.85])[:, None, None]
        eight = np.rint(255 * np.clip(light * gain * 0.7 + rng.normal(0, 0.004, (3, *light.shape)), 0, 1) ** (1 / 2.2))
        values = np.rint(65535 * (eight / 255) ** 2.2).astype(np.uint16)
        black, pattern = np.zeros((3, 1, 1)), np.arange(3).reshape(3, 1, 1)
        return Mosaic(
            values=values, pattern=pattern, planes=("red", "green", "blue"), black_dn=black, white_dn=65535.0, **common
        )
    if kind == "mono":
        pattern, planes, gain = np.zeros((1, 1, 1), int), ("white",), np.array([1.0])
    else:
        pattern, planes, gain = BAYER, ("red", "green", "blue"), np.array([0.55, 1.0, 0.65])
    height, width = light.shape
    period_y, period_x = pattern.shape[1:]
    plane = pattern[0][np.arange(height)[:, None] % period_y, np.arange(width) % period_x]
    signal = light * gain[plane] * paper_dn
    noisy = signal + rng.normal(0, 1, light.shape) * np.sqrt(np.maximum(signal, 0) * 0.25 + 9)
    values = np.clip(np.rint(noisy + 512), 0, 16383).astype(np.uint16)[None]
    return Mosaic(
        values=values,
        pattern=pattern,
        planes=planes,
        black_dn=np.full(pattern.shape, 512.0),
        white_dn=16383.0,
        **common,
    )
