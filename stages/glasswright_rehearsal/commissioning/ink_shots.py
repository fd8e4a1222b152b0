"""Close frames of a printed edge beside a metal blade, and frames of the chart at its usual distance."""

from __future__ import annotations

from dataclasses import asdict
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import yaml

from glasswright_rehearsal.files.dng import Exif
from glasswright_rehearsal.frames.render import Scene, render_frame
from glasswright_rehearsal.optics.blur import diffract
from glasswright_rehearsal.scene.geometry import Pose
from glasswright_rehearsal.scene.layout import fill_magnification
from glasswright_rehearsal.scene.lens import WAVELENGTH_UM, Aberrations, Lens
from glasswright_rehearsal.scene.light import Lighting
from glasswright_rehearsal.scene.printing import draw_ink
from glasswright_rehearsal.scene.sensor import expose, mosaic_sensor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from glasswright_rehearsal.commissioning.bench import NewBench
    from glasswright_rehearsal.scene.printing import Ink

    Array = NDArray[np.float64]

F_NUMBER = 5.6
BLUR_UM = 2.0
"""Standard deviation of the lens's aberration at the usual distance."""
LENS_CHANGE = 0.1
"""Standard deviation of its relative change at the close distance."""
CLOSER = 8.0
NEAR_PX = (300, 220)
MANY_PX = 1000
"""Width of a frame of which a part suffices."""
SLANT_DEG = (5.5, 4.5)
"""Of the printed edge and the blade."""
REPEATS = 5
REPEAT_FRAC = 0.01
"""Standard deviation of the lens's blur from edge to edge: focus and vibration."""


def draw_edges(
    bench: NewBench,
    ink: Ink,
    direction: str,
    blur_um: float,
    magnification_frac: float,
    size_px: tuple[int, int],
    *,
    is_swapped: bool,
    seed: int,
) -> NDArray[np.uint16]:
    """Render a close frame: the printed edge in one half, the blade in the other.

    A straight edge's profile is exactly the inverse transform of the slice of the transfer function along its normal.
    """
    sensor, generator = mosaic_sensor("RGGB"), np.random.default_rng(np.random.SeedSequence([bench.seed, 12, seed]))
    width, height = size_px
    y, x = np.mgrid[:height, :width].astype(np.float64)
    per_mm = 1000 * magnification_frac / bench.frame.pitch_um
    light = np.empty((height, width))
    pattern = np.tile(sensor.pattern_array()[0], (height // 2, width // 2))
    for is_blade in (False, True):
        slant = np.radians(SLANT_DEG[int(is_blade)])
        half = (x < width / 2) == (is_blade == is_swapped)
        middle = (0.25 if is_blade == is_swapped else 0.75) * width
        distance = (x - middle) * np.cos(slant) + (y - height / 2) * np.sin(slant)
        own_um = blur_um * (1 + REPEAT_FRAC * float(generator.standard_normal()))
        for number, plane in enumerate(sensor.planes):
            printed = None if is_blade else (ink, 0.0 if direction == "across" else np.pi / 2, per_mm)
            profile = _profile(bench, plane, own_um, magnification_frac, slant, printed)
            sites = half & (pattern == number)
            dark = 0.004 if is_blade else 0.04
            light[sites] = 0.62 * (dark + (1 - dark) * np.interp(distance[sites], *profile))
    if direction == "down":
        light = light.T
    light = light * (1 + 0.0001 * (np.arange(light.shape[1]) - light.shape[1] / 2))
    return expose(light[None].astype(np.float32), sensor, np.random.SeedSequence([bench.seed, 13, seed]))


def _profile(
    bench: NewBench,
    plane: str,
    blur_um: float,
    magnification_frac: float,
    slant: float,
    printed: tuple[Ink, float, float] | None,
) -> tuple[Array, Array]:
    """Return an edge's profile: distances, and light from 0 to 1."""
    distance, frequency, wave = _list_waves()
    pitch = bench.frame.pitch_um
    working = F_NUMBER * (1 + magnification_frac)
    transfer = diffract(frequency * WAVELENGTH_UM[plane] * working / pitch, np.zeros(1))
    transfer = transfer * np.exp(-2 * (np.pi * blur_um / pitch * frequency) ** 2)
    transfer = transfer * np.sinc(frequency * np.cos(slant)) * np.sinc(frequency * np.sin(slant))
    if printed is not None:
        ink, direction, per_mm = printed
        transfer = transfer * ink.transfer(frequency * per_mm, np.array(direction))
    return distance, 0.5 + wave @ transfer


@cache
def _list_waves() -> tuple[Array, Array, Array]:
    """Return distances (px), frequencies (cycles/px), and the matrix from a transfer function to an edge less 1/2."""
    step = 0.001
    distance = np.asarray(np.arange(-90, 90.05, 0.1), dtype=np.float64)
    frequency = np.asarray((np.arange(2000) + 0.5) * step, dtype=np.float64)
    wave = np.sin(2 * np.pi * distance[:, None] * frequency) / (np.pi * frequency) * step
    return distance, frequency, np.asarray(wave, dtype=np.float64)


def write_ink_shots(
    bench: NewBench,
    *,
    ink: Ink | None = None,
    has_blade: bool = True,
    change: float | None = None,
    repeats: int = REPEATS,
    far_shots: int = 2,
    size_px: tuple[int, int] = NEAR_PX,
) -> None:
    """Write the close frames, two frames of the chart from its usual distance, and the true values.

    Parameters
    ----------
    ink
        Blur of the print's edges; None: drawn.
    has_blade
        Whether the notes name the blade.
    change
        Relative change of the lens's blur at the close distance; None: drawn.
    repeats
        Close frames in each folder.
    far_shots
        Frames of the chart.
    size_px
        Width and height of the close frames; those with edges that run across are turned.
    """
    generator = bench.draw(12)
    drawn_ink, drawn = draw_ink(generator), LENS_CHANGE * float(generator.standard_normal())
    ink, frame = ink or drawn_ink, bench.frame
    far = fill_magnification(bench.layout, frame.width_px, frame.height_px, frame.pitch_um, 0.92)
    near, near_um = CLOSER * far, BLUR_UM * (1 + (drawn if change is None else change))
    noted, shot = [], 0
    for direction in ("across", "down"):
        for is_swapped in (False, True):
            folder = f"{direction}_{1 + int(is_swapped)}"
            for repeat in range(repeats):
                values = draw_edges(bench, ink, direction, near_um, near, size_px, is_swapped=is_swapped, seed=shot)
                exif = Exif(exposure_s=Fraction(1, 4), f_number=F_NUMBER, date=f"2026:03:02 21:{shot:02d}:00")
                bench.write_shot(f"ink/{folder}/{repeat}", values, mosaic_sensor("RGGB"), exif)
                shot += 1
            noted.append(
                {
                    "folder": folder,
                    "blur": direction,
                    **_note_boxes(direction, is_swapped=is_swapped, has_blade=has_blade, is_large=size_px[0] > MANY_PX),
                }
            )
    scene = Scene(
        frame=frame,
        # the rehearsal draws diffraction of the f-number that it is given: here the working one
        lens=Lens(f_number=F_NUMBER * (1 + far), aberrations=Aberrations(blur_um=BLUR_UM)),
        sensor=mosaic_sensor("RGGB"),
        lighting=Lighting(exposure_frac=0.62),
        layout=bench.layout,
        pose=Pose(magnification_frac=far),
        ink=ink,
    )
    for repeat in range(far_shots):
        values = render_frame(scene, np.random.SeedSequence([bench.seed, 14, repeat]))
        exif = Exif(exposure_s=Fraction(1, 4), f_number=F_NUMBER, date=f"2026:03:02 21:{shot + repeat:02d}:00")
        bench.write_shot(f"ink/far/{repeat}", values, scene.sensor, exif)
    notes = {"pixels_per_mm": {"value": round(1000 * near / frame.pitch_um, 4), "u": 0.05}, "frames": noted}
    (bench.out / "ink" / "ink.yaml").write_text(yaml.safe_dump(notes, sort_keys=False), encoding="utf-8")
    truth = {**asdict(ink), "blur_um": BLUR_UM, "near_blur_um": near_um, "f_number": F_NUMBER, "far_frac": far}
    bench.write_truth("ink", truth)


def _note_boxes(direction: str, *, is_swapped: bool, has_blade: bool, is_large: bool) -> dict[str, list[float]]:
    boxes = [[0.1, 0.3, 0.4, 0.7], [0.6, 0.3, 0.9, 0.7]]
    if not is_large:
        boxes = [[0.02, 0.1, 0.48, 0.9], [0.52, 0.1, 0.98, 0.9]]
    if direction == "down":
        boxes = [[top, left, bottom, right] for left, top, right, bottom in boxes]
    printed, blade = boxes[::-1] if is_swapped else boxes
    return {"print": printed, "blade": blade} if has_blade else {"print": printed}
